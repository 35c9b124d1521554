"""The layers of a run as sources of tiles: addresses with their keys filled in, and what may be shown of them."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import PurePosixPath
from urllib.parse import urlsplit

from packer.common.shell import set_variable
from packer.content.payload import Kind
from packer.errors import BriefError
from packer.fetching.answers.outcome import (
    Outcome,
    Refused,
    Stored,
    TileRules,
    TryAgain,
    Unchanged,
    WrongContent,
)
from packer.geometry.blocks import TileBlock
from packer.geometry.grid import on_tile_edges
from packer.geometry.tileset import Tile
from packer.planning.brief import Brief, Layer
from packer.planning.offers import date_of, source_mark
from packer.planning.pack_path import SOURCE
from packer.planning.plan import Plan
from packer.planning.terms import check_tile_hosts
from packer.sources.address import Address, UnsetError, fill, variables, with_canonical_host
from packer.sources.kept_grids import grid_values
from packer.sources.key_sources import has_keyring
from packer.sources.safe_address import shown
from packer.sources.secrecy import MASK, Secrets, named_values, secrets_of
from packer.store.picture_marks import NO_SERVERS
from packer.store.writer import Labels
from packer.version import __version__

__all__ = [
    "LIMIT_BYTES",
    "Source",
    "filled",
    "labels",
    "labels_for",
    "secrets_in",
    "source_for",
    "sources_for",
    "stated_kind",
    "without_secrets",
]

LIMIT_BYTES = 16_000_000  # far above any tile; a larger body is something else

_BETWEEN_PARTS = re.compile(r"/|\{[^{}]*\}")


@dataclass(frozen=True, slots=True)
class Source:
    """Where and how a layer's tiles are asked for; `headers` may hold keys and are never shown.

    `hosts` are those of the address with their ports, by its turns, fit to be shown. `blank` are the SHA-256 of
    bodies by which the server says that it has no tile. `secrets` are what is secret in the address and the headers.
    `written` is the template of the brief, variables unfilled; empty where a server has given it. `shown` is the
    template as it may be shown, whoever has given it.
    """

    layer: str
    hosts: tuple[str, ...]
    address: Address
    headers: Mapping[str, str] = field(repr=False)
    rules: TileRules
    blank: frozenset[bytes] = frozenset()
    secrets: Secrets = field(default=Secrets(), repr=False)
    written: str = field(default="", repr=False)
    shown: str = ""

    @property
    def host(self) -> str:
        """The first of the hosts, by which the layer is named."""
        return self.hosts[0]

    def url(self, tile: Tile, turn: int = 0) -> str:
        """The address of a tile; with another `turn` at another of the subdomains, where there are any."""
        names = self.address.subdomains
        if not turn or len(names) < 2:
            return self.address.url(tile)
        turn %= len(names)
        return replace(self.address, subdomains=names[turn:] + names[:turn]).url(tile)

    def block_url(self, block: TileBlock, turn: int = 0, gutter_px: int = 0) -> str:
        """The address of a picture of a block of tiles, with so many pixels more on each side."""
        names = self.address.subdomains
        turn = turn % len(names) if names else 0
        address = replace(self.address, subdomains=names[turn:] + names[:turn])
        return address.url(block.first, block.columns, block.rows, gutter_px)

    def urls(self, tile: Tile) -> list[str]:
        """The address of one tile at every host that it can be asked of."""
        return [self.url(tile, turn) for turn in range(max(1, len(self.address.subdomains)))]

    def sign_in_page(self, where: str | None) -> str | None:
        """What may be shown of the place where a network wants a sign-in, as `outcome.SignIn` has it.

        A portal may put the address that was asked for, and with it a key, into the one that it chooses. A
        key need not come from a variable, so the path is shown only if it repeats no part of the layer's.
        """
        if where is None:
            return None
        end = where.find("/", len("https://"))
        start, path = (where, "") if end < 0 else (where[:end], where[end:])
        if self.secrets.found_in(start):
            return None
        secrets = self.secrets | Secrets.of(_BETWEEN_PARTS.split(urlsplit(self.address.template).path))
        return f"{start}/" if secrets.found_in(path) else where

    def shown_path(self, tile: Tile) -> str:
        """The path of a tile without what is secret in it, with the names of variables where the brief has them."""
        return urlsplit(replace(self.address, template=self.shown).url(tile)).path

    def without_echo(self, outcome: Outcome) -> Outcome:
        """The outcome without a validator in which the server repeats a secret: validators are kept in the pack. What a
        service says of its own error becomes a part of the reason, secrets taken out."""
        if isinstance(outcome, Refused | WrongContent | TryAgain) and outcome.said:
            words = self.secrets.scrub(outcome.said)
            return replace(outcome, reason=f'{outcome.reason}: "{words}"', said="")
        if not isinstance(outcome, Stored | Unchanged):
            return outcome
        return without_secrets(outcome, self.secrets)


def without_secrets(outcome: Stored | Unchanged, secrets: Secrets) -> Outcome:
    """The outcome without a validator that has one of these secrets in it, or that would pass for a pack's own mark."""
    etag, modified = outcome.etag, outcome.modified
    if etag is not None and (etag.startswith(NO_SERVERS) or secrets.found_in(etag)):
        outcome = replace(outcome, etag=None)
    if modified is not None and secrets.found_in(modified):
        outcome = replace(outcome, modified=None)
    return outcome


def sources_for(brief: Brief, plan: Plan, environment: Mapping[str, str]) -> dict[str, Source]:
    """A source for each layer with a server that the plan uses. Raises BriefError for a variable that is not set."""
    layers = (la for la in brief.layers.values() if plan.layers[la.name].tiles and not la.pictures)
    return {layer.name: source_for(brief, layer, environment) for layer in layers}


def filled(brief: Brief, layer: Layer, text: str, environment: Mapping[str, str]) -> str:
    """A text of a layer with its variables filled in. Raises BriefError for one that is not set."""
    try:
        return fill(text, environment)
    except UnsetError as fault:
        raise BriefError(
            f"{brief.path}: layers.{layer.name} needs the environment variable {fault}, which is "
            f"not set. Set it in this terminal and try again: {set_variable(str(fault))}{_keyring_advice(str(fault))}"
        ) from None


def _keyring_advice(name: str) -> str:
    return f" Or keep it in the keyring: lastbar key set {name}" if has_keyring() else ""


def source_for(brief: Brief, layer: Layer, environment: Mapping[str, str]) -> Source:
    """One layer as a source. Raises BriefError for a variable that is not set, or that spoils the address."""
    if layer.pictures:
        raise BriefError(
            f'Layer "{layer.name}" has no server, only own pictures: lastbar take-in brings them.'
        )
    address = _address(brief, layer, environment)
    headers = {name: filled(brief, layer, value, environment) for name, value in layer.headers.items()}
    if "\\" in address.template or not address.hosts[0].partition(":")[0]:
        # Clients read a backslash as a slash, so that the host would be another than the one checked.
        raise BriefError(
            f"{brief.path}: layers.{layer.name} has an address that cannot be used once its variables are "
            "filled in. Check their values: none may hold a backslash."
        )
    rules = TileRules(stated_kind(layer), address.hosts[0], LIMIT_BYTES, layer.tile_size)
    blank = layer.blank_hashes
    offered_at = fill(layer.offered_at or "", environment)
    secrets = secrets_of(
        (address.template, offered_at), headers, named_values(layer.keyed, environment).values()
    )
    # As the brief has it, a host is no secret, whatever words of it stand among the values of the query.
    hidden = secrets if variables(urlsplit(layer.url).netloc) else Secrets()
    hosts = tuple(map(hidden.scrub, address.hosts))
    written = "" if layer.offered_at else layer.url
    return Source(layer.name, hosts, address, headers, rules, blank, secrets, written, shown(layer.url))


def _address(brief: Brief, layer: Layer, environment: Mapping[str, str]) -> Address:
    """Where tiles are asked for. An address that came from a server is held to the hosts that the brief names."""
    # What the server gave just now is not filled in: it could ask for any variable of this machine.
    template = layer.asked or filled(brief, layer, layer.url, environment)
    template = with_canonical_host(template)
    matrices = layer.offer.matrices if layer.offer else None
    grid = layer.offer.grid if layer.offer else None
    address = Address(
        template, layer.subdomains, matrices, layer.tile_size or 256, date_of(layer) or "", grid
    )
    if layer.offered_at is not None:
        if MASK in template and layer.asked is None:
            raise BriefError(
                f"{brief.path}: the address of layers.{layer.name} holds a key that only its server gives, so "
                "what the server offers has to be read again. Run lastbar fetch while you are online."
            )
        check_tile_hosts(brief, layer, address, filled(brief, layer, layer.offered_at, environment))
    return address


_ENDINGS = {".png": Kind.PNG, ".jpg": Kind.JPG, ".jpeg": Kind.JPG, ".webp": Kind.WEBP, ".pbf": Kind.PBF}


def stated_kind(layer: Layer) -> Kind | None:
    """The kind of tile that the brief states, outright or by the ending of the address; None if neither."""
    if layer.format:
        return Kind(layer.format)
    return _ENDINGS.get(PurePosixPath(urlsplit(layer.url).path).suffix.lower())


def labels_for(brief: Brief, plan: Plan, source: Source) -> Labels:
    """What a run writes into the layer's pack about itself and its source."""
    layer = brief.layers[source.layer]
    kind = source.rules.kind or Kind.PNG
    return labels(brief, plan, layer, kind.value, source.host, source_mark(layer))


def labels(brief: Brief, plan: Plan, layer: Layer, kind: str, host: str, mark: str) -> Labels:
    """What is written into a layer's pack with tiles of one kind that come from `host`, whose fingerprint is
    `mark`. Its bounds are those of the plan, moved out to the edges of the layer's deepest tiles."""
    zooms = plan.layers[layer.name].tiles.zooms or layer.zooms
    grid = layer.offer.grid if layer.offer and layer.name.endswith(SOURCE) else None
    return Labels(
        layer=layer.name,
        kind=kind,
        title=brief.title,
        attribution=layer.attribution,
        permission=layer.permission,
        host=host,
        fingerprint=mark,
        bounds=on_tile_edges(plan.bounds, zooms[-1]),
        middle=plan.middle,
        center_zoom=min(12, layer.zooms[1]),
        plan=plan.fingerprint,
        rule=plan.rule,
        version=__version__,
        blank=layer.blank_hashes,
        date=date_of(layer),
        matrix_set=None if grid is None else json.dumps({"digest": grid.digest, **grid_values(grid)}),
    )


def secrets_in(sources: Mapping[str, Source]) -> Secrets:
    """Everything that is secret in these layers' addresses and headers, to be kept out of what is written."""
    return Secrets(frozenset[str]().union(*(source.secrets.texts for source in sources.values())))
