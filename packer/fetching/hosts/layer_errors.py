"""Why a layer as a whole is given up, in words for the planner."""

from __future__ import annotations

from packer.errors import AnswerError, NetworkError
from packer.fetching.hosts.source import Source

__all__ = ["no_response_error", "no_tile_error", "only_refused_error", "unverified_absence_error"]


def only_refused_error(source: Source, in_a_row: int, reason: str) -> AnswerError:
    """So many answers in a row were no tiles; `reason` is that of the last."""
    return AnswerError(
        f'Layer "{source.layer}" was stopped: {in_a_row} answers in a row from {source.host} were no tiles; the last: '
        f"{reason}. Check the layer's address, key and format in the brief, then run lastbar fetch again; what is "
        "stored stays."
    )


def no_response_error(source: Source, reason: str) -> NetworkError:
    """Nothing came from the server while others behind the same gate answered."""
    return NetworkError(
        f'Layer "{source.layer}" was stopped: nothing ever came from {source.host}, while the other layers on its '
        f"host were answered; the last trouble: {reason}. Check the port and whether the address begins with http:// "
        "or https:// in the brief, then run lastbar fetch again; what is stored stays."
    )


def no_tile_error(source: Source, lacks: int) -> AnswerError:
    """The server says of every tile that it does not exist, `lacks` of them."""
    return AnswerError(
        f'Layer "{source.layer}": {source.host} says of every tile that it does not exist ({lacks:,} asked for), and '
        "has never given one. Most likely the layer's address in the brief is wrong: open one tile of it in a "
        "browser. Nothing was noted as missing there."
    )


def unverified_absence_error(source: Source, lacks: int) -> AnswerError:
    """The server, or somebody in its place, says of the last `lacks` tiles that they do not exist."""
    return AnswerError(
        f'Layer "{source.layer}": {source.host} says of the last {lacks:,} tiles that they do not exist, and nothing '
        "tells whether that was the server itself or a device on the way. They were not noted. Run lastbar fetch "
        "again on another connection, or use an https address."
    )
