"""Which proxy an address goes through, read from the environment as the usual clients read it."""

from __future__ import annotations

import urllib.request
from dataclasses import dataclass, field
from urllib.parse import urlsplit

__all__ = ["Proxies"]


@dataclass(frozen=True, slots=True)
class Proxies:
    """One proxy address a scheme, with a scheme of its own, and the hosts that are reached without. An address may
    hold a password and is never shown."""

    http: str | None = field(repr=False)
    https: str | None = field(repr=False)
    bypass: str

    @classmethod
    def given_or_from_environment(cls, proxy: str | None) -> Proxies:
        """`proxy` for everything; if it is None, HTTP_PROXY, HTTPS_PROXY, ALL_PROXY and NO_PROXY (either
        case), or the system's own settings where there are any."""
        if proxy is not None:
            return cls(_whole(proxy), _whole(proxy), "")
        found = urllib.request.getproxies()
        everything = found.get("all")
        http, https = found.get("http", everything), found.get("https", everything)
        return cls(_whole(http), _whole(https), found.get("no", ""))

    def for_url(self, url: str) -> str | None:
        """The proxy that `url` goes through, or None.

        Serves to file a failure, not to route: address ranges in NO_PROXY are left to the client.
        """
        parts = urlsplit(url)
        proxy = self.https if parts.scheme == "https" else self.http
        return None if self._bypassed(parts.hostname or "") else proxy

    def _bypassed(self, host: str) -> bool:
        """Whether NO_PROXY names `host`, a domain above it, or everything."""
        entries = (entry.strip().lower().lstrip("*.") or entry.strip() for entry in self.bypass.split(","))
        return any(entry and (entry == "*" or f".{host}".endswith(f".{entry}")) for entry in entries)


def _whole(proxy: str | None) -> str | None:
    return proxy if not proxy or "://" in proxy else f"http://{proxy}"
