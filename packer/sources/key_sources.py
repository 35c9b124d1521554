"""Where the value for ${NAME} comes from: the environment, then a command of the planner's, then the system's keyring.

The keyring is there if the package `keyring` is; nothing of it is loaded before a value is looked for in it. What came
from here is remembered for as long as the process runs, so that no error repeats it.
"""

from __future__ import annotations

import contextlib
import os
import re
import subprocess
from collections.abc import Collection, Iterable, Mapping, Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from packer.errors import InputError
from packer.sources.allowed_commands import is_allowed
from packer.sources.secrecy import Secrets

__all__ = [
    "COMMAND_LIMIT_S",
    "KeyCommandError",
    "forget_key",
    "give_key",
    "given_keys",
    "has_keyring",
    "is_key",
    "is_key_name",
    "keep_key",
    "key_from_command",
    "key_from_keyring",
    "key_values",
    "known_keys",
    "present_value",
    "require_keyring",
]

SERVICE = "lastbar"
COMMAND_LIMIT_S = 30.0
_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]{0,63}")
_LONGEST = 16_000  # letters: no server takes a longer header
_known: set[str] = set()
_given: dict[str, str] = {}


class KeyCommandError(InputError):
    """A key-command gave no key. What it printed is no part of the text."""


def known_keys() -> Secrets:
    """Every value that came from a command or the keyring in this process."""
    return Secrets.of(_known)


def give_key(name: str, value: str) -> None:
    """Have a key for as long as the process runs; it goes before the environment."""
    _known.add(value)
    _given[name] = value


def given_keys() -> dict[str, str]:
    """Every key that was given, by its name: for a process that works for this one."""
    return dict(_given)


def present_value(name: str, environment: Mapping[str, str]) -> str:
    """The value that was given, or that the environment has; "" for none. Takes no time."""
    return _given.get(name) or environment.get(name, "").strip()


def key_values(
    names: Iterable[str],
    environment: Mapping[str, str],
    command: Sequence[str] = (),
    ended: Collection[str] = (),
) -> dict[str, str]:
    """The environment with a value for each name that one can be had for. May take as long as the command may.

    A value among `ended`, which a server has refused, is passed over for another one, and taken again only where
    there is none. Raises KeyCommandError where nothing but the command could give a value, and it failed.
    """
    found = dict(environment)
    for name in dict.fromkeys(names):
        first, failure = None, None
        for source in (_from_environment, _from_command, _from_keyring):
            try:
                value = source(name, environment, command)
            except KeyCommandError as fault:
                failure = fault
                continue
            if value and value not in ended:
                found[name] = value
                break
            first = first or value
        else:
            if first:
                found[name] = first
            elif failure is not None:
                raise failure
    return found


def _from_environment(name: str, environment: Mapping[str, str], _command: Sequence[str]) -> str | None:
    return present_value(name, environment) or None


def _from_command(name: str, _environment: Mapping[str, str], command: Sequence[str]) -> str | None:
    return key_from_command(command, name) if command else None


def _from_keyring(name: str, _environment: Mapping[str, str], _command: Sequence[str]) -> str | None:
    return key_from_keyring(name)


def is_key_name(name: str) -> bool:
    """Whether a key can go by a name: that of an environment variable."""
    return _NAME.fullmatch(name) is not None


def is_key(value: str) -> bool:
    """Whether a text can be a key: one line that a header takes."""
    return bool(value) and value.isprintable() and len(value) <= _LONGEST


def key_from_command(command: Sequence[str], name: str, limit_s: float = COMMAND_LIMIT_S) -> str:
    """The one line that a command prints. It runs without a shell, with nothing to read, and is told by the variable
    LASTBAR_KEY for which name a value is wanted. Raises KeyCommandError, in which nothing that it printed stands,
    also for one that is not allowed on this computer, which is not run."""
    program = Path(command[0]).name or "it"
    _refuse_forbidden(command, name)
    try:
        process = subprocess.Popen(
            list(command),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "LASTBAR_KEY": name},
        )
    except (OSError, ValueError) as fault:
        why = fault.strerror if isinstance(fault, OSError) else "it cannot be read"
        raise KeyCommandError(f"The key-command for {name} ({program}) cannot be started: {why}.") from None
    try:
        output, _ = process.communicate(timeout=limit_s)
    except subprocess.TimeoutExpired:
        raise KeyCommandError(
            f"The key-command for {name} ({program}) gave nothing within {limit_s:.0f} s."
        ) from None
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()
        with contextlib.suppress(OSError):
            assert process.stdout is not None
            process.stdout.close()
    if process.returncode != 0:
        raise KeyCommandError(f"The key-command for {name} ({program}) ended with {process.returncode}.")
    text = output.decode("utf-8", "replace").strip()
    if not is_key(text):
        raise KeyCommandError(
            f"The key-command for {name} ({program}) should print one line, which is the key; it printed "
            f"{'something else' if text else 'nothing'}."
        )
    _known.add(text)
    return text


def _refuse_forbidden(command: Sequence[str], name: str) -> None:
    if not is_allowed(command):
        raise KeyCommandError(
            f"The brief has the program {Path(command[0]).name} run for the key {name}. It was not run: a brief may "
            "come from anyone, and this program is not allowed on this computer yet. To look at it, and allow it: "
            "lastbar key allow"
        )


# ------------------------------------------------------------------------------------------------ the keyring


def has_keyring() -> bool:
    """Whether the package that reaches the system's keyring is installed."""
    return find_spec("keyring") is not None


def key_from_keyring(name: str) -> str | None:
    """The key that is kept under a name, None where there is none or no keyring that can be read."""
    if not has_keyring():
        return None
    keyring, errors = _loaded()
    try:
        value = (keyring.get_password(SERVICE, name) or "").strip()
    except (errors.KeyringError, OSError, RuntimeError):  # locked, or no service that keeps one
        return None
    if value:
        _known.add(value)
    return value or None


def keep_key(name: str, value: str) -> None:
    """Keep a key in the system's keyring. Raises InputError where that cannot be done, which never has the key in it.

    If the process dies: it is kept, or it is not.
    """
    _known.add(value)
    keyring, errors = _needed()
    try:
        keyring.set_password(SERVICE, name, value)
    except (errors.KeyringError, OSError, RuntimeError) as fault:
        raise _refused("keep", fault) from None


def forget_key(name: str) -> bool:
    """Remove a key from the system's keyring; whether there was one. Raises InputError where that cannot be done.

    If the process dies: it is there, or it is not.
    """
    keyring, errors = _needed()
    try:
        if keyring.get_password(SERVICE, name) is None:
            return False
        keyring.delete_password(SERVICE, name)
    except (errors.KeyringError, OSError, RuntimeError) as fault:
        raise _refused("remove", fault) from None
    return True


def require_keyring() -> None:
    """Raise InputError, with what to do, where the package is not installed."""
    if not has_keyring():
        raise InputError(
            "The system's keyring cannot be reached: the package keyring is not installed. Install it (pip install "
            "'lastbar[keyring]'), or set the key as an environment variable instead."
        )


def _needed() -> tuple[Any, Any]:
    require_keyring()
    return _loaded()


def _loaded() -> tuple[Any, Any]:
    import keyring  # optional, and slow to load
    import keyring.errors

    return keyring, keyring.errors


def _refused(what: str, fault: BaseException) -> InputError:
    return InputError(
        f"The system's keyring did not {what} the key ({type(fault).__name__}). Is it unlocked, and is there one on "
        "this machine? An environment variable does as well."
    )
