"""Why a layer as a whole is given up, in words for the planner."""

from __future__ import annotations

from packer.errors import AnswerError, LastbarError, NetworkError
from packer.fetching.actions import StopLayer, StopReason
from packer.fetching.hosts.source import Source
from packer.sources.address import without_usual_port

__all__ = ["layer_error"]


def layer_error(source: Source, stop: StopLayer) -> LastbarError:
    """The error for a layer that was stopped."""
    match stop.why:
        case StopReason.ONLY_REFUSALS:
            return _only_refusals(source, stop.count, stop.reason)
        case StopReason.NO_RESPONSE:
            return _no_response(source, stop.reason)
        case StopReason.NO_TILE:
            return _no_tile(source, stop.count, stop.reason)
        case StopReason.ANOTHER_HOST:
            return _another_host(source, stop.reason)
        case StopReason.UNVERIFIED_ABSENCE:
            return _unverified_absence(source, stop.count)


def _only_refusals(source: Source, in_a_row: int, reason: str) -> AnswerError:
    return AnswerError(
        f'Layer "{source.layer}" was stopped: {in_a_row} answers in a row from {source.host} were no tiles. The last '
        f"one: {reason}. Check the layer's address, key and format in the brief, then run lastbar fetch again. "
        "Stored tiles are kept."
    )


def _no_response(source: Source, reason: str) -> NetworkError:
    return NetworkError(
        f'Layer "{source.layer}" was stopped: nothing ever came from {source.host}, although the other layers of '
        f"that host were answered. The last failure: {reason}. Check the port in the brief, and whether the address "
        "begins with http:// or https://, then run lastbar fetch again. Stored tiles are kept."
    )


def _no_tile(source: Source, lacks: int, advice: str) -> AnswerError:
    return AnswerError(
        f'Layer "{source.layer}" was stopped: {source.host} says of every tile at a telling zoom that it does not '
        f"exist ({lacks:,} asked for), and has never given one. {advice or 'Open one of its tiles in a browser.'} "
        'Or the areas lie outside its map: compare "Where" in lastbar plan with the ground that you mean. No tile was '
        "noted as missing on the server."
    )


def _another_host(source: Source, host: str) -> AnswerError:
    return AnswerError(
        f'Layer "{source.layer}" was stopped: {without_usual_port(source.host)} sends each tile on to {host}, which '
        f"the brief does not name. {host} was not contacted. If you may use that host too, write tile-hosts = "
        f'["{host}"] below [layers.{source.layer}], then run lastbar fetch again. Stored tiles are kept.'
    )


def _unverified_absence(source: Source, lacks: int) -> AnswerError:
    return AnswerError(
        f'Layer "{source.layer}" was stopped: {source.host} says of the last {lacks:,} tiles that they do not exist, '
        "and nothing tells whether the server itself said so or a device on the way. They were not noted as missing. "
        "Run lastbar fetch again on another connection, or use an https address."
    )
