"""Faults in short text: what a fault proxy does with the first request, the second, and so on.

    "ok*50 drop 503:2s html ok"          one word a request; *50 fifty of them, a bare * for ever
    "slow:150ms rate:4Mbit"              the link: delay of each answer, bandwidth shared by all connections
    "share:2%:503"                       this share of requests, chosen by hash, gets this fault
    "ok*20 outage:5s"                    from the 21st request on, five seconds without a network
    "ok*20 signin:5s" "signin:30"        a sign-in page for five seconds, or for thirty requests

After its last word a script goes on with "ok". Words for the link and for shares stand anywhere.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from packer.errors import InputError

__all__ = ["OK", "FaultShare", "Link", "Outage", "Script", "SignInFault", "Word", "read_script"]

_TIME = re.compile(r"(\d+(?:\.\d+)?)(ms|s|m)")
_TIME_S = {"ms": 0.001, "s": 1.0, "m": 60.0}
_RATE = re.compile(r"(\d+(?:\.\d+)?)(kbit|Mbit|Gbit)")
_RATE_BITS = {"kbit": 1e3, "Mbit": 1e6, "Gbit": 1e9}
_SIZE = re.compile(r"(\d+)(kB|MB)")
_SIZE_BYTES = {"kB": 1000, "MB": 1_000_000}
_SHARE = re.compile(r"(\d+(?:\.\d+)?)%")
_REPEAT = re.compile(r"(.+?)\*(\d*)")

# Words that one answer is made by, and what may follow their colon.
_ANSWERS: dict[str, Literal["nothing", "time", "size"]] = {
    "ok": "nothing",
    "drop": "nothing",
    "reset": "nothing",
    "reset-mid": "nothing",
    "stall": "nothing",
    "stall-mid": "nothing",
    "html": "nothing",
    "html-as-image": "nothing",
    "redirect": "nothing",
    "json": "nothing",
    "empty": "nothing",
    "short": "nothing",
    "long": "nothing",
    "no-end": "nothing",
    "chunk-cut": "nothing",
    "close-cut": "nothing",
    "gzip-ok": "nothing",
    "gzip-cut": "nothing",
    "gzip-crc": "nothing",
    "gzip-two": "nothing",
    "garbage": "nothing",
    "wrong-type": "nothing",
    "half": "nothing",
    "half-ffd9": "nothing",
    "trickle": "time",
    "huge": "size",
}
_STATUSES_TO_WAIT_ON = ("429", "503")


@dataclass(frozen=True, slots=True)
class Word:
    """One answer: a name such as "503" or "half", and what it takes.

    `time_s` is the pace of a trickle or the time of a Retry-After, `size_bytes` that of a huge body; 0 means
    that none was given. `as_date` asks for the Retry-After as an HTTP date.
    """

    name: str
    time_s: float = 0.0
    size_bytes: int = 0
    as_date: bool = False


OK = Word("ok")


@dataclass(frozen=True, slots=True)
class Outage:
    """No network for a time: connections are dropped, refused, or taken and never answered."""

    time_s: float
    kind: Literal["drop", "refuse", "silent"]


@dataclass(frozen=True, slots=True)
class SignInFault:
    """Every request, for a time, is answered by `answer` in place of a tile."""

    time_s: float
    answer: Word


@dataclass(frozen=True, slots=True)
class Link:
    """The link all answers share. `rate_bits` is bits a second, 0 for no limit."""

    delay_s: float = 0.0
    rate_bits: float = 0.0


@dataclass(frozen=True, slots=True)
class FaultShare:
    """A fault that hits a share (0 to 1) of requests."""

    share: float
    answer: Word

    def hits(self, path: str, attempt: int, seed: int) -> bool:
        """Whether the `attempt`-th request for `path` is hit; the same for the same three, ever."""
        digest = hashlib.sha256(f"{seed} {attempt} {self.answer.name} {path}".encode()).digest()
        return int.from_bytes(digest[:8], "big") < self.share * 2**64


Step = Word | Outage | SignInFault


@dataclass(frozen=True, slots=True)
class Script:
    """A script as read: steps with their number of repeats (None: for ever), the link, the shares."""

    steps: tuple[tuple[Step, int | None], ...]
    link: Link
    shares: tuple[FaultShare, ...]

    def words(self) -> Iterator[Step]:
        """One step for each request, without end."""
        for step, count in self.steps:
            if count is None:
                while True:
                    yield step
            for _ in range(count):
                yield step
        while True:
            yield OK


def read_script(text: str) -> Script:
    """Raises InputError, naming the word, for anything that is not a script."""
    steps: list[tuple[Step, int | None]] = []
    shares: list[FaultShare] = []
    delay_s = rate_bits = 0.0
    for token in text.split():
        name, _, rest = token.partition(":")
        if name == "slow":
            delay_s = _time(rest, token)
        elif name == "rate":
            rate_bits = _amount(_RATE, _RATE_BITS, rest, token, "a rate such as 4Mbit or 500kbit")
        elif name == "share":
            shares.append(_share(rest, token))
        else:
            steps.append(_step(token))
    return Script(tuple(steps), Link(delay_s, rate_bits), tuple(shares))


def _step(token: str) -> tuple[Step, int | None]:
    repeat = _REPEAT.fullmatch(token)
    body = repeat[1] if repeat else token
    count = 1 if repeat is None else int(repeat[2]) if repeat[2] else None
    name, _, rest = body.partition(":")
    if name == "outage":
        time, _, kind = rest.partition(":")
        if kind not in ("", "drop", "refuse", "silent"):
            raise _wrong(token, "outage:5s, outage:5s:refuse or outage:5s:silent")
        return Outage(_time(time, token), kind or "drop"), count  # type: ignore[arg-type]  # checked above
    if name == "refuse":
        return Outage(_time(rest, token), "refuse"), count
    if name == "signin":
        return _sign_in(rest, token, count)
    return _word(body), count


def _sign_in(rest: str, token: str, count: int | None) -> tuple[Step, int | None]:
    many, _, how = rest.partition(":")
    answers = {"": Word("html"), "html": Word("html"), "302": Word("redirect"), "511": Word("511")}
    if how not in answers:
        raise _wrong(token, "signin:20, signin:5s, signin:5s:302 or signin:5s:511")
    if many.isdigit():
        return answers[how], int(many)
    return SignInFault(_time(many, token), answers[how]), count


def _word(token: str) -> Word:
    name, _, rest = token.partition(":")
    if re.fullmatch(r"[1-5]\d\d", name):
        return _status(name, rest, token)
    takes = _ANSWERS.get(name)
    if takes is None:
        known = ", ".join([*_ANSWERS, "a status such as 503", "outage", "signin", "slow", "rate", "share"])
        raise InputError(f'The fault script has the word "{token}", which is not known. Use: {known}.')
    if takes == "time" and rest:
        return Word(name, time_s=_time(rest, token))
    if takes == "size" and rest:
        size = _amount(_SIZE, _SIZE_BYTES, rest, token, "a size such as 5MB or 300kB")
        return Word(name, size_bytes=int(size))
    if rest:
        raise _wrong(token, name)
    return Word(name)


def _status(name: str, rest: str, token: str) -> Word:
    if not rest:
        return Word(name)
    if name not in _STATUSES_TO_WAIT_ON:
        raise _wrong(token, f"{name} alone; only 429 and 503 say when to come back")
    date = rest.startswith("date:")
    return Word(name, time_s=_time(rest.removeprefix("date:"), token), as_date=date)


def _share(rest: str, token: str) -> FaultShare:
    percent, _, word = rest.partition(":")
    match = _SHARE.fullmatch(percent)
    if match is None or float(match[1]) > 100 or not word:
        raise _wrong(token, "share:2%:503")
    return FaultShare(float(match[1]) / 100, _word(word))


def _time(text: str, token: str) -> float:
    return _amount(_TIME, _TIME_S, text, token, "a time such as 150ms or 5s")


def _amount(
    pattern: re.Pattern[str], units: dict[str, float] | dict[str, int], text: str, token: str, right: str
) -> float:
    match = pattern.fullmatch(text)
    if match is None:
        raise _wrong(token, right)
    return float(match[1]) * units[match[2]]


def _wrong(token: str, right: str) -> InputError:
    return InputError(f'The fault script has "{token}", which cannot be read. Write {right}.')
