"""An attribution, which comes from a brief or a pack and may hold any HTML, made harmless."""

from __future__ import annotations

import nh3

__all__ = ["harmless"]

_LONGEST = 2000


def harmless(text: str) -> str:
    """HTML that holds nothing but text and links to http and https addresses, by the sanitiser `nh3`.

    Links open nothing in the page itself and tell their target nothing. Cut at 2000 characters before.
    """
    return nh3.clean(
        text[:_LONGEST],
        tags={"a"},
        attributes={"a": {"href"}},
        url_schemes={"http", "https"},
        link_rel="noopener noreferrer",
        url_relative="deny",
        set_tag_attribute_values={"a": {"target": "_blank"}},
    )
