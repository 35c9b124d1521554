"""The names of this machine itself: whatever of them a brief uses, one server stands behind them, with one cap."""

from __future__ import annotations

import ipaddress
import socket
from urllib.parse import urlsplit

import ifaddr

from packer.sources.address import canonical_host, without_usual_port

__all__ = ["capped_host", "is_loopback"]

_OWN = "localhost"


def capped_host(host: str) -> str:
    """The one name, with an unusual port, by which the caps of a host are kept; `host` is as `Address.hosts` has it.

    The loopback names and addresses, this machine's own name and its addresses on its networks are one host. Nothing is
    looked up: another name that leads here, such as an alias in the hosts file, stays a host by itself.
    """
    try:
        parts = urlsplit(f"//{without_usual_port(host)}")
        name, port = canonical_host(parts.hostname or ""), parts.port
    except ValueError:  # with a variable for a port, say, that is not filled in
        return host
    if _is_this_machine(name):
        name = _OWN
    elif ":" in name:
        name = f"[{name}]"
    return name if port is None else f"{name}:{port}"


def is_loopback(host: str) -> bool:
    """Whether a host, as `host_of` gives it, is this machine: nobody stands in between, nobody is bothered."""
    if host == "localhost" or host.endswith(".localhost"):  # RFC 6761 section 6.3
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _is_this_machine(name: str) -> bool:
    own = socket.gethostname().lower()
    if is_loopback(name) or name in (own, f"{own}.local"):  # RFC 6762 section 3
        return True
    try:
        address = ipaddress.ip_address(name)
    except ValueError:
        return False
    mapped = getattr(address, "ipv4_mapped", None)
    if address.is_unspecified or (mapped is not None and mapped.is_loopback):
        return True
    return not address.is_global and str(address) in _own_addresses()


def _own_addresses() -> set[str]:
    ips = [ip.ip for adapter in ifaddr.get_adapters() for ip in adapter.ips]
    return {ip if isinstance(ip, str) else ip[0] for ip in ips}
