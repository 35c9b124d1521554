"""Every error that Lastbar raises on purpose, as one tree.

    LastbarError
    ├── InputError             exit 2   your input: brief, shape files, options
    │   ├── BriefError                  the brief itself: a key, a value, a file it names
    │   └── PlanError                   a readable brief that asks for nothing fetchable
    ├── NetworkError           exit 1   the network: a server that was never reached
    ├── AnswerError            exit 1   the answer: a server that answers with what is no tile
    ├── DiskError              exit 3   the disk: full, read-only, failing
    ├── StoreError             exit 3   the store: not ours, damaged, in use
    │   └── StoreBusyError                   another process is writing this store
    ├── TermsError             exit 4   the terms: what the layer's owner does not permit
    └── StoppedError           exit 1   a job that the program calling it stopped

A message is one or more whole sentences: what happened, where, why, and what to do next. `str(error)` is the
text shown to the planner; the cause, where there is one, is kept in `__cause__` for `--debug`.
"""

from __future__ import annotations

__all__ = [
    "AnswerError",
    "BriefError",
    "DiskError",
    "InputError",
    "LastbarError",
    "NetworkError",
    "PlanError",
    "StoppedError",
    "StoreBusyError",
    "StoreError",
    "TermsError",
]

EXIT_DONE = 0
EXIT_NOT_COMPLETE = 1
EXIT_INPUT = 2
EXIT_STORE = 3
EXIT_TERMS = 4


class LastbarError(Exception):
    """Base of the tree; `exit_code` is what the command line ends with."""

    exit_code: int = EXIT_NOT_COMPLETE


class InputError(LastbarError):
    """Something that the planner wrote or named cannot be used as it stands."""

    exit_code = EXIT_INPUT


class BriefError(InputError):
    """The brief, or a file that it names, is missing, unreadable or asks for the impossible."""


class PlanError(InputError):
    """The brief is well-formed, but no tile at all answers to it."""


class NetworkError(LastbarError):
    """A server could not be reached, and waiting was not asked for or has run out."""


class AnswerError(LastbarError):
    """A server answers, but with something that is not the tile asked for."""


class DiskError(LastbarError):
    """The disk refuses to take or give bytes; what was committed before is kept."""

    exit_code = EXIT_STORE


class StoreError(LastbarError):
    """A pack cannot be used: it is not one of ours, or it is damaged."""

    exit_code = EXIT_STORE


class StoreBusyError(StoreError):
    """Another process holds the pack for writing."""


class TermsError(LastbarError):
    """The layer's terms, as stated in the brief or published by its owner, do not allow the request."""

    exit_code = EXIT_TERMS


class StoppedError(LastbarError):
    """A job was stopped, as asked, before there was anything to give back."""
