"""What a layer's owner permits, as the brief states it and as the owner has published it.

Pure: the clock's day, the plan and a robots.txt are handed in. Everything here is asked before the first tile.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from urllib.parse import unquote, urlsplit

import idna
from protego import Protego

from packer.errors import BriefError, TermsError
from packer.planning.brief import Brief, Layer
from packer.planning.plan import Plan
from packer.sources.address import Address, without_usual_port
from packer.sources.own_names import is_loopback
from packer.version import __version__

__all__ = [
    "REMARK_DAYS",
    "ROBOTS_BYTES",
    "check_layer",
    "check_reading",
    "check_terms",
    "check_tile_hosts",
    "disallowed",
    "host_of",
    "preview_terms",
    "prohibition",
    "user_agent",
]

PRODUCT = "lastbar"  # the product token of RFC 9309 section 2.2.1, and what the User-Agent begins with
_PORT = re.compile(r":\d+$")
REMARK_DAYS = 14  # days before a permission ends from which a note says so
ROBOTS_BYTES = 512_000  # RFC 9309 section 2.5 asks for 500 KiB at least to be read


@dataclass(frozen=True, slots=True)
class _Prohibited:
    domain: str
    owner: str
    policy: str


# Servers whose published policy rules out keeping their tiles offline, in so many words. Source: Tile Usage
# Policy of the OpenStreetMap Foundation's Operations Working Group, text of 2025-12-19 (its address on the web
# is from memory).
_OSMF = "the OpenStreetMap Foundation", "https://operations.osmfoundation.org/policies/tiles/"
_PROHIBITED = (
    _Prohibited("tile.openstreetmap.org", *_OSMF),
    _Prohibited("vector.openstreetmap.org", *_OSMF),
    _Prohibited("tile.osm.org", *_OSMF),  # an older name of the same servers, from memory
)


def user_agent(contact: str | None) -> str:
    """What requests say of their sender: tool, version and, in a comment, whom to write to (RFC 9110 10.1.5)."""
    return f"{PRODUCT}/{__version__}" + (f" ({contact})" if contact else "")


def host_of(url: str) -> str:
    """The host that a URL leads to, in the one spelling that name servers see; "" where there is none.

    HTTP clients undo percent-encoding in a host and map it by UTS 46 (URL Standard, section 3.5, from memory),
    so that full-width letters, other dots and invisible characters lead to the same server as plain letters.
    """
    try:
        host = unquote(urlsplit(url).hostname or "")
    except ValueError:
        return ""
    plain = unicodedata.normalize("NFKC", host).casefold()
    plain = "".join(c for c in plain if unicodedata.category(c) not in ("Cf", "Mn"))
    try:
        plain = idna.uts46_remap(plain, std3_rules=False, transitional=False)
    except idna.IDNAError:
        plain = plain.replace("\u3002", ".")  # what UTS 46 cannot map has no other spelling
    return plain.strip(".")


def prohibition(host: str) -> str | None:
    """Why tiles of this host, as `host_of` gives it, may not be kept offline; None if nothing is known of it."""
    for one in _PROHIBITED:
        if host == one.domain or host.endswith("." + one.domain):
            return f"the published policy of {one.owner} ({one.policy}) prohibits offline use of its tiles"
    return None


def check_terms(brief: Brief, plan: Plan, urls: Mapping[str, Sequence[str]], today: date) -> list[str]:
    """Hold every layer that the plan uses to its terms; gives remarks on what will soon run out.

    `urls` has, for each such layer, one address of a tile at every host that it is asked of, variables filled
    in. Raises TermsError for what is not permitted, BriefError where nobody could be written to.
    """
    remarks = []
    for name, addresses in urls.items():
        layer = brief.layers[name]
        hosts = [*(host_of(url) for url in addresses), *_named_hosts(layer)]
        _check_hosts(layer, hosts)
        _check_contact(brief, layer, hosts)
        _check_limit(brief, layer, len(plan.layers[name].tiles))
        remarks += _check_expiry(layer, today)
    return remarks


def preview_terms(brief: Brief, plan: Plan, today: date) -> list[str]:
    """What a fetch would refuse for, or remark on, as far as the brief itself tells: without a look at the variables
    of an address, at robots.txt or at what a server offers."""
    told: list[str] = []
    for name, layer in brief.layers.items():
        if not plan.layers[name].tiles:
            continue
        hosts = [host_of(f"//{host}") for host in Address(layer.url, layer.subdomains).hosts if layer.url]
        hosts = [host for host in hosts if host and "$" not in host] + _named_hosts(layer)
        told += _or_why(_check_hosts, layer, hosts)
        told += _or_why(_check_contact, brief, layer, hosts)
        told += _or_why(_check_limit, brief, layer, len(plan.layers[name].tiles))
        told += _or_why(_check_expiry, layer, today)
    return told


def _named_hosts(layer: Layer) -> list[str]:
    """The hosts that the tiles may be sent on to."""
    return [host_of(f"//{host}") for host in layer.tile_hosts]


def _or_why(check: Callable[..., list[str] | None], *of: object) -> list[str]:
    try:
        return check(*of) or []
    except (TermsError, BriefError) as fault:
        return [str(fault).replace(" Nothing was fetched.", "")]


def check_reading(brief: Brief, layer: Layer, url: str) -> None:
    """Hold the reading of what a server offers to the same terms; `url` has its variables filled in.

    Raises TermsError and BriefError as `check_terms` does.
    """
    _check_hosts(layer, [host_of(url)])
    _check_contact(brief, layer, [host_of(url)])


def check_layer(brief: Brief, layer: Layer, urls: Sequence[str], today: date) -> None:
    """Hold single tiles of a layer, outside any plan, to its terms; `urls` as in `check_terms`, of one tile.

    Raises TermsError and BriefError as `check_terms` does.
    """
    hosts = [*(host_of(url) for url in urls), *_named_hosts(layer)]
    _check_hosts(layer, hosts)
    _check_contact(brief, layer, hosts)
    _check_expiry(layer, today)


def check_tile_hosts(brief: Brief, layer: Layer, address: Address, offered_at: str) -> None:
    """Hold an address that a server gave to the hosts that the brief names: those of `offered_at`, the address
    of the offer with its variables filled in, and of tile-hosts.

    A host without a port in tile-hosts has the ports of http and https. Raises BriefError for another host.
    """
    known = {*Address(offered_at).hosts}
    for entry in layer.tile_hosts:
        known |= {entry.lower()} if _PORT.search(entry) else {f"{entry.lower()}:443", f"{entry.lower()}:80"}
    if layer.headers and offered_at.startswith("https:") and not address.template.startswith("https:"):
        raise BriefError(
            f'{brief.path}: the server of layer "{layer.name}" describes the layer over https, but offers its tiles '
            f"over plain http at {without_usual_port(address.hosts[0])}. The layer's headers may hold a key, which "
            "anybody on the way could read there. Nothing was sent. Ask its operator for an https address, or write "
            f"the address of the tiles as url below [layers.{layer.name}] and leave the headers out."
        )
    for host in address.hosts:
        if host not in known:
            name = without_usual_port(host)
            plain = " without encryption" if host.endswith(":80") and f"{name}:443" in known else ""
            raise BriefError(
                f'{brief.path}: the server of layer "{layer.name}" offers its tiles at {name}{plain}, a host that '
                "the brief does not name. It was not contacted. If you may fetch the tiles there, and the layer's "
                f'headers may go there too, write tile-hosts = ["{name}"] below [layers.{layer.name}].'
            )


def _check_hosts(layer: Layer, hosts: Iterable[str]) -> None:
    for host in hosts:
        if reason := prohibition(host):
            raise TermsError(
                f'Layer "{layer.name}" would ask {host}, but {reason}. Nothing was fetched. Choose a source that '
                "permits offline use, or run a server of your own, and put its address into the brief."
            )


def _check_contact(brief: Brief, layer: Layer, hosts: Iterable[str]) -> None:
    if brief.contact:
        return
    for host in hosts:
        if not is_loopback(host):
            raise BriefError(
                f'{brief.path}: contact is missing, but layer "{layer.name}" asks {host}. Its operator must be '
                "able to reach you instead of blocking you. Write at the top of the brief: "
                'contact = "maps@example.org", with your own address.'
            )


def _check_limit(brief: Brief, layer: Layer, planned: int) -> None:
    limit = layer.tile_limit
    if limit is not None and planned > limit:
        raise TermsError(
            f'Layer "{layer.name}" may be asked for at most {limit:,} tiles (its tile-limit), but {brief.path} asks '
            f"for {planned:,}. Make areas smaller or less deep, or ask the layer's owner for a higher limit."
        )


def _check_expiry(layer: Layer, today: date) -> list[str]:
    if (expires := layer.expires) is None:
        return []
    days = (expires - today).days
    if days < 0:
        raise TermsError(
            f'The permission for layer "{layer.name}" ended on {expires}. Nothing was fetched. Ask the owner to extend '
            "it, then change expires in the brief."
        )
    if days > REMARK_DAYS:
        return []
    when = {0: "today", 1: "tomorrow"}.get(days, f"in {days} days, on {expires}")
    return [f'The permission for layer "{layer.name}" ends {when}.']


@lru_cache(maxsize=8)  # of a host that tiles are sent on to, each address is looked up
def _rules_of(robots: bytes) -> Protego:
    return Protego.parse(robots[:ROBOTS_BYTES].decode("utf-8", "replace"))


def disallowed(robots: bytes, urls: Iterable[str]) -> str | None:
    """The path of the first URL that a robots.txt explicitly disallows for this tool (RFC 9309), or None.

    What cannot be read as rules disallows nothing. The path is given without its query, which may hold a key.
    """
    rules = _rules_of(robots)
    for url in urls:
        if not rules.can_fetch(url, PRODUCT):
            return urlsplit(url).path or "/"
    return None
