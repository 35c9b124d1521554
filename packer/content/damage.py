"""What can be wrong with a body that should be a tile."""

from __future__ import annotations

from packer.errors import AnswerError

__all__ = ["Damaged", "NotATile", "TooBig", "UnaskedCoding"]


class Damaged(AnswerError):  # noqa: N818 -- named for the finding
    """A tile that is cut, altered or followed by other bytes; `str(error)` is a clause, not a sentence."""


class TooBig(Damaged):
    """The content unfolds to more bytes than the limit allows."""


class UnaskedCoding(Damaged):
    """The server applied a content coding that was not asked for, so the body cannot be read."""


class NotATile(AnswerError):  # noqa: N818 -- named for the finding
    """A body that is recognised as something else than a tile; `what` names it, such as "an HTML page"."""

    def __init__(self, what: str) -> None:
        super().__init__(what)
        self.what = what
