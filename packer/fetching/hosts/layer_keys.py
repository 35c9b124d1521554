"""The keys of one layer: filled in at the start, asked for again when the server refuses them, and when they end."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial

from packer.common.units import duration_text
from packer.errors import BriefError
from packer.fetching.hosts.source import Source, source_for
from packer.planning.brief import Brief, Layer
from packer.planning.plan import Plan
from packer.sources.address import variables
from packer.sources.key_ends import end_of
from packer.sources.key_sources import KeyCommandError, key_values, present_value
from packer.sources.secrecy import Secrets, named_values

__all__ = ["LayerKeys", "end_remark", "key_environment", "key_names", "key_remarks", "keys_for", "layer_keys"]

_SOON_S = 86_400.0


def key_names(layer: Layer) -> tuple[str, ...]:
    """The names of the variables that a layer's keys are in."""
    return tuple(dict.fromkeys(name for text in layer.keyed for name in variables(text)))


def key_environment(brief: Brief, layer: Layer, environment: Mapping[str, str]) -> Mapping[str, str]:
    """The environment with what the layer's key-command and the keyring have for it. May take as long as the command.

    Raises BriefError where the command failed and nothing else gives a value.
    """
    names = key_names(layer)
    if all(present_value(name, environment) == environment.get(name, "").strip() != "" for name in names):
        return environment
    try:
        return key_values(names, environment, layer.key_command)
    except KeyCommandError as fault:
        raise BriefError(f"{brief.path}: layers.{layer.name}: {fault} Nothing was fetched.") from None


def layer_keys(brief: Brief, layer: Layer, environment: Mapping[str, str]) -> LayerKeys:
    """The keys of a layer and its source, with keys from the key-command and the keyring as well. May take as long as
    the command. Raises BriefError for a variable that is not set, or that spoils the address."""
    filled = key_environment(brief, layer, environment)
    source = source_for(brief, layer, filled)
    return LayerKeys(brief, layer, environment, source, values=named_values(layer.keyed, filled))


async def keys_for(brief: Brief, plan: Plan, environment: Mapping[str, str]) -> dict[str, LayerKeys]:
    """The keys of each layer with a server that the plan uses. Raises BriefError as `layer_keys` does.

    If cancelled: a command that was started runs on to its end, unheard."""
    found: dict[str, LayerKeys] = {}
    for name, layer in brief.layers.items():
        if plan.layers[name].tiles and not layer.pictures:
            lacking = any(not present_value(one, environment) for one in key_names(layer))
            make = partial(layer_keys, brief, layer, environment)
            found[name] = await asyncio.to_thread(make) if lacking else make()
    return found


def key_remarks(keys: Iterable[LayerKeys], now: float) -> list[str]:
    """A sentence for each layer whose key says when it ends, if that is within a day of `now`, in seconds since
    1970."""
    return [
        end_remark(one.layer, ends, now)
        for one in keys
        if (ends := one.ends_at) is not None and ends - now < _SOON_S
    ]


def end_remark(layer: Layer, ends: float, now: float) -> str:
    """When a layer's key ends, and what comes then."""
    names = ", ".join(key_names(layer))
    key = f'The key of layer "{layer.name}"' + (f" in {names}" if names else "")
    when = datetime.fromtimestamp(ends)
    clock = when.strftime(
        "%H:%M" if when.date() == datetime.fromtimestamp(now).date() else "%H:%M on %Y-%m-%d"
    )
    if ends <= now:
        return (
            f"{key} ended at {clock}, as its own text says. Get another one, or the server may give nothing."
        )
    after = "The fetch waits for another one then."
    if layer.key_command:
        after = "The key-command is asked for another one then."
    left = duration_text(ends - now)
    return f"{key} ends at {clock} (in {left}), as its own text says. {after}"


@dataclass(slots=True)
class LayerKeys:
    """What a layer's keys are at present, as its `source` has them, and where new ones come from.

    `values` are those of the variables that made the source. `on_secrets` is told of new secrets before any of them
    is used.
    """

    brief: Brief
    layer: Layer
    environment: Mapping[str, str]
    source: Source
    on_secrets: Callable[[Secrets], None] = lambda _secrets: None
    values: Mapping[str, str] = field(default_factory=dict, repr=False)
    _ended: set[str] = field(default_factory=set, repr=False)

    @property
    def names(self) -> tuple[str, ...]:
        """The variables that the keys are in; none where the brief has them in full, or there are none."""
        return key_names(self.layer)

    @property
    def renews_itself(self) -> bool:
        """Whether a new key can come with nobody there: from a command."""
        return bool(self.layer.key_command and self.names)

    @property
    def ends_at(self) -> float | None:
        """When the keys end, in seconds since 1970, as their own text says."""
        return end_of((self.source.address.template, *self.source.headers.values()))

    def refused(self) -> None:
        """The server has refused the present keys: others are preferred from now on."""
        self._ended |= set(self.values.values())

    def changed_here(self) -> bool:
        """Whether the environment has another value by now: a look that takes no time."""
        found = {name: present_value(name, self.environment) for name in self.names}
        return any(
            value and value not in self._ended and value != self.values.get(n) for n, value in found.items()
        )

    def ask_again(self) -> str | None:
        """Ask environment, command and keyring again, and make the source anew if they have another key; why that could
        not be done, in words, None if it was, or there was no need. May take as long as the command."""
        try:
            found = key_values(self.names, self.environment, self.layer.key_command, self._ended)
        except KeyCommandError as fault:
            return str(fault)
        values = {name: found.get(name, "").strip() for name in self.names}
        if values == self.values or not all(values.values()):
            return None
        self.on_secrets(Secrets.of(values.values()))
        try:
            source = source_for(self.brief, self._with_new_keys(values), found)
        except BriefError as fault:
            return str(fault)
        self.on_secrets(source.secrets)
        self.source = replace(source, secrets=source.secrets | self.source.secrets, hosts=self.source.hosts)
        self.values = values
        return None

    def _with_new_keys(self, values: Mapping[str, str]) -> Layer:
        """The layer with the new keys in an address that its server gave, where that repeats the old ones."""
        asked = self.layer.asked
        if asked is None:
            return self.layer
        for name, old in self.values.items():
            asked = asked.replace(old, values[name]) if old else asked
        assert self.layer.offer is not None
        kept = {key: getattr(self.layer, key) for key in type(self.layer).model_fields}
        return self.layer.offered(self.layer.offer, asked, **kept)
