"""What servers offer, read from them over the transport: once before a first plan, and again before each fetch."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable, Collection, Mapping
from contextlib import AsyncExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path
from urllib.parse import parse_qsl, quote, urlsplit

from packer.common.clock import Clock, SystemClock
from packer.common.units import duration_text
from packer.content.codings import unwrap
from packer.content.damage import Damaged
from packer.errors import AnswerError, BriefError, LastbarError, NetworkError
from packer.fetching.hosts.host_identity import SharedGate, layers_at, report
from packer.fetching.hosts.layer_keys import key_environment
from packer.fetching.hosts.shared_caps import shared_caps
from packer.fetching.hosts.source import filled
from packer.fetching.pacing.gate import Gate
from packer.fetching.transports import FailureKind, Response, Result, Transport, TransportName, open_transport
from packer.planning.brief import Brief, Layer
from packer.planning.offers import cache_offer, cached_offers, with_offer
from packer.planning.service_wishes import description_address, read_description, walk_of
from packer.planning.terms import check_reading, check_tile_hosts, user_agent
from packer.sources.address import (
    Address,
    check_template,
    origin_of,
    with_canonical_host,
)
from packer.sources.offer import LIMIT_BYTES, Offer, OfferError, SeveralLayersError
from packer.sources.ogc_tiles import Walk
from packer.sources.own_names import capped_host
from packer.sources.safe_address import kept_form, shown
from packer.sources.secrecy import MASK, Secrets, named_values, secrets_of

__all__ = ["ChooseLayerError", "read_offers"]

_DEADLINE_S = 60.0
_LONGEST_WAIT_S = 60.0  # for which somebody sits before the screen
_LONGEST_TEMPLATE = 4000


class ChooseLayerError(AnswerError):
    """A service has several layers, `names`, and the brief names none of them."""

    names: tuple[str, ...] = ()


async def read_offers(
    brief: Brief,
    store: Path | None = None,
    *,
    only: Collection[str] | None = None,
    transport: TransportName | None = None,
    environment: Mapping[str, str] | None = None,
    make_transport: Callable[..., Transport] = open_transport,
    clock: Clock | None = None,
) -> tuple[Brief, list[str]]:
    """Read what the servers offer for the layers that say so, keep it beside the packs, and fill it in.

    Gives the brief with it, and a remark for each layer whose server did not answer as it should, so that what
    it offered before is used. `only` names the layers to read; others stay as they are. Raises BriefError and
    TermsError for what must not be asked, NetworkError or AnswerError where nothing is kept to fall back on,
    DiskError. If cancelled: the offers read so far are kept. If the process dies: each layer's old offer or
    its new one.
    """
    layers = [la for n, la in brief.layers.items() if la.offered_at and (only is None or n in only)]
    if not layers:
        return brief, []
    given = os.environ if environment is None else environment
    environments = {la.name: await asyncio.to_thread(key_environment, brief, la, given) for la in layers}
    async with AsyncExitStack() as stack:
        client = make_transport(transport, connections=1, user_agent=user_agent(brief.contact))
        stack.push_async_callback(client.aclose)
        clock = clock or SystemClock()
        gates = _gates(brief, layers, environments, clock)
        await stack.enter_async_context(shared_caps(gates.values(), clock, client))
        reading = _Reading(brief, store or brief.store_folder, environments, client, gates, clock)
        found = {layer.name: await reading.layer(layer) for layer in layers}
    return brief.model_copy(update={"layers": {**brief.layers, **found}}), reading.remarks


def _gates(
    brief: Brief, layers: Collection[Layer], environments: Mapping[str, Mapping[str, str]], clock: Clock
) -> dict[str, SharedGate]:
    """The gates before the servers of descriptions, by layer: the lowest caps of the layers at one host."""
    by_host: dict[str, list[Layer]] = {}
    for layer in layers:
        [host] = Address(filled(brief, layer, layer.offered_at or "", environments[layer.name])).hosts
        by_host.setdefault(capped_host(host), []).append(layer)
    gates: dict[str, SharedGate] = {}
    for host, described in by_host.items():
        there = [*described, *layers_at(brief, [host])]
        cap = min(layer.connections for layer in there)
        gate = Gate(cap, min(layer.requests_per_second for layer in there), clock)
        names = tuple(layer.name for layer in described)
        gates |= dict.fromkeys(names, SharedGate(gate, cap, names, frozenset([host])))
    return gates


@dataclass(slots=True)
class _Reading:
    brief: Brief
    folder: Path
    environments: Mapping[str, Mapping[str, str]]
    transport: Transport
    gates: Mapping[str, SharedGate]
    clock: Clock
    remarks: list[str] = field(default_factory=list)
    _bodies: dict[tuple[str, tuple[tuple[str, str], ...]], Result] = field(default_factory=dict)

    async def layer(self, layer: Layer) -> Layer:
        """If cancelled: the layer's old offer is still the one that is kept."""
        environment = self.environments[layer.name]
        url = with_canonical_host(filled(self.brief, layer, layer.offered_at or "", environment))
        url = description_address(layer, url)
        headers = {
            name: filled(self.brief, layer, value, environment) for name, value in layer.headers.items()
        }
        check_reading(self.brief, layer, url)
        named = named_values(layer.keyed, environment)
        secrets = secrets_of([url], headers, named.values())
        try:
            offer = await self._read(layer, url, headers)
        except (NetworkError, AnswerError) as fault:
            plain = type(fault)(secrets.scrub(str(fault)))
            if isinstance(plain, ChooseLayerError) and isinstance(fault, ChooseLayerError):
                plain.names = tuple(map(secrets.scrub, fault.names))
            return self._fallen_back(layer, plain)
        except LastbarError as fault:
            raise type(fault)(secrets.scrub(str(fault))) from None  # the server's words may repeat a key
        asked = offer.templates[0]
        offer = replace(offer, templates=(kept_form(asked, named, secrets),))
        sure = secrets_of([url, asked], headers, named.values(), surely=True)
        offer = self._without_keys(layer, offer, sure, (url, asked))
        settled = with_offer(self.brief, layer, offer, asked)
        if offer.newer_date is not None:
            self.remarks.append(_newer(layer.name, offer))
        if before := cached_offers(self.brief, self.folder).get(layer.name):
            self.remarks += _changes(layer.name, before, offer)
        cache_offer(layer, self.folder, offer)
        return settled

    def _without_keys(self, layer: Layer, offer: Offer, sure: Secrets, asked: tuple[str, str]) -> Offer:
        """An attribution, which goes into the pack, may link to an address with the key in it."""
        words = sure.scrub(offer.attribution or "")
        for value in (value for url in asked for _, value in parse_qsl(urlsplit(url).query)):
            if "{" not in value:  # of a parameter, so that a plain word is one only where it is a value again
                for form in {value, quote(value, safe="")} if value else ():
                    words = words.replace(f"={form}", f"={MASK}")
        if words == (offer.attribution or ""):
            return offer
        if not layer.as_written.attribution:
            self.remarks.append(
                f'Layer "{layer.name}": the attribution that its server gives seems to contain a key, which was '
                f"removed. It now reads: {words} If that is wrong, write attribution below [layers.{layer.name}]."
            )
        return replace(offer, attribution=words)

    async def _read(self, layer: Layer, url: str, headers: Mapping[str, str]) -> Offer:
        """The offer, with the one template to use. If cancelled: nothing is kept."""
        place = f'Layer "{layer.name}": {shown(layer.offered_at or "")}'
        before = cached_offers(self.brief, self.folder).get(layer.name)
        try:
            if (walk := walk_of(layer, url)) is not None:
                offer = await self._walked(layer.name, place, walk, url, headers)
            else:
                body = _body(place, await self._reply(layer.name, place, url, headers))
                offer = read_description(layer, body, url, None if before is None else before.date)
            templates = _usable(layer, offer.templates)
        except OfferError as fault:
            error = ChooseLayerError if isinstance(fault, SeveralLayersError) else AnswerError
            problem = error(
                f"{place} does not describe a layer that can be fetched: {fault}. Check the address and the "
                f"keys of layers.{layer.name}, or write the address of its tiles as url."
            )
            if isinstance(fault, SeveralLayersError) and isinstance(problem, ChooseLayerError):
                problem.names = fault.names
            raise problem from None
        return replace(offer, templates=(self._permitted(layer, url, templates),))

    async def _walked(
        self, layer: str, place: str, walk: Walk, start: str, headers: Mapping[str, str]
    ) -> Offer:
        """The offer at the end of a walk through documents of one host, to which alone the layer's headers go.

        Raises OfferError for a link that leads elsewhere. If cancelled: nothing is kept.
        """
        if not any(name.lower() == "accept" for name in headers):
            headers = {"Accept": "application/json", **headers}
        address = next(walk)
        while True:
            if not _same_origin(address, start):
                raise OfferError("one of its links leads to another host, which is not asked")
            where = place if address == start else f'Layer "{layer}": {shown(address)}'
            body = _body(where, await self._reply(layer, where, with_canonical_host(address), headers))
            try:
                address = walk.send(body)
            except StopIteration as end:
                offer: Offer = end.value
                return offer

    async def _reply(self, layer: str, place: str, url: str, headers: Mapping[str, str]) -> Result:
        """One answer describes several layers of one service. Raises NetworkError if the host asked for a long wait.
        If cancelled: nothing is remembered."""
        key = (url, tuple(sorted(headers.items())))
        if key not in self._bodies:
            gate = self.gates[layer].gate
            self._check_pause(gate, place)
            permit = await gate.enter()
            assert permit is not None, "nobody closes this gate"
            try:
                gate.sent(permit)
                reply = await self.transport.fetch(url, headers, _DEADLINE_S, LIMIT_BYTES)
            except BaseException:
                gate.drop(permit)
                raise
            report(gate, permit, reply, self.clock)
            self._bodies[key] = reply
        return self._bodies[key]

    def _check_pause(self, gate: Gate, place: str) -> None:
        wait_s = 0.0 if gate.pause is None else gate.pause.until - self.clock.now()
        if wait_s > _LONGEST_WAIT_S:
            raise NetworkError(
                f"{place} was not asked: its server asked for a wait, of which {duration_text(wait_s)} are left. "
                "Try again then."
            )

    def _permitted(self, layer: Layer, url: str, templates: tuple[str, ...]) -> str:
        """The first of the templates that leads to no host but those that the brief names."""
        refusals = []
        for template in templates:
            try:
                check_tile_hosts(self.brief, layer, Address(template, layer.subdomains), url)
            except BriefError as fault:
                refusals.append(fault)
            else:
                return template
        raise refusals[0]

    def _fallen_back(self, layer: Layer, fault: NetworkError | AnswerError) -> Layer:
        before = cached_offers(self.brief, self.folder).get(layer.name)
        if before is None:
            raise fault from None  # the first one may hold a key
        if MASK in before.templates[0]:
            raise type(fault)(
                f"{fault} What it offered before cannot be used, since it holds a key that only the server gives."
            ) from None
        self.remarks.append(f"{fault} What it offered before is used.")
        return with_offer(self.brief, layer, before)


def _same_origin(address: str, start: str) -> bool:
    try:
        return origin_of(address) == origin_of(start)
    except ValueError:
        return False


def _newer(name: str, offer: Offer) -> str:
    return (
        f'Layer "{name}": its server now has {offer.newer_date}. The pack keeps {offer.date}, so that dates are '
        f'not mixed. For the newer one add a layer of another name with date = "{offer.newer_date}".'
    )


def _changes(name: str, before: Offer, now: Offer) -> list[str]:
    """A remark, if the plan may be another than by the offer before."""
    changed = []
    if now.zooms != before.zooms:
        changed.append("zooms {} to {} instead of {} to {}".format(*now.zooms, *before.zooms))
    if (now.bounds, now.limits) != (before.bounds, before.limits):
        changed.append("tiles of another extent")
    if now.grid and before.grid and now.grid.digest != before.grid.digest:
        changed.append("tiles of another grid")
    if (now.kind, now.tile_px) != (before.kind, before.tile_px):
        changed.append("tiles of another kind or size")
    if not changed:
        return []
    return [
        f'Layer "{name}": its server has changed what it offers: {" and ".join(changed)}. The plan follows the '
        "change. Stored tiles are kept."
    ]


def _body(place: str, reply: Result) -> bytes:
    """What came, whole and uncompressed. Raises NetworkError and AnswerError."""
    if not isinstance(reply, Response):
        if reply.kind is FailureKind.TOO_BIG:
            raise AnswerError(
                f"{place} answers with more than {LIMIT_BYTES // 1_000_000} MB, which no description of layers needs. "
                "Nothing of it was kept. Check the address, or ask the owner for an address of fewer layers."
            )
        raise NetworkError(
            f"{place} could not be read: {reply.kind.value}. Try again once the server can be reached."
        )
    if 300 <= reply.status < 400:
        raise AnswerError(
            f"{place} redirects to another address (status {reply.status}), which is not followed. Write the "
            "final address into the brief; if a page asks you to sign in on this network, do that first."
        )
    if reply.status in (401, 403):
        raise AnswerError(
            f"{place} is refused (status {reply.status}). Check the layer's key and its permission."
        )
    if reply.status != 200:
        raise AnswerError(
            f"{place} answers with status {reply.status}. Check the address, or try again later."
        )
    try:
        return unwrap(reply.body, reply.headers.get("content-encoding"), LIMIT_BYTES)
    except Damaged as fault:
        raise AnswerError(f"{place} came damaged: {fault}. Try again.") from None


def _usable(layer: Layer, templates: tuple[str, ...]) -> tuple[str, ...]:
    """Those that can address tiles. Raises OfferError if none can."""
    usable, why = [], ""
    for template in templates:
        try:
            if len(template) > _LONGEST_TEMPLATE:
                raise ValueError(f"it has over {_LONGEST_TEMPLATE} characters")
            if "${" in template:  # it would be filled in from this machine's environment
                raise ValueError("it holds a ${…}")
            check_template(template, layer.subdomains)
            usable.append(template)
        except ValueError as fault:
            why = str(fault)
    if not usable:
        raise OfferError(f"its address of tiles cannot be used: {why}")
    return tuple(usable)
