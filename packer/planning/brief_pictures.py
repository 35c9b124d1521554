"""What a layer of pictures of one's own may say in a brief, and what a layer that lies over another has to."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import Protocol

from packer.planning.brief_errors import nearest, quote_value
from packer.planning.brief_forms import Form
from packer.planning.brief_services import SERVICE_KEYS
from packer.planning.layer_names import ADDRESS_KEYS


class LayerOver(Protocol):
    """What of a layer has to do with lying over another."""

    @property
    def over(self) -> str | None: ...
    @property
    def format(self) -> str | None: ...


__all__ = ["PICTURES_ALONE", "LayerOver", "check_over", "check_pictures"]

# All that says where a server is and how it may be asked.
_OF_SERVERS = (
    *ADDRESS_KEYS,
    *SERVICE_KEYS,
    "tile-hosts",
    "connections",
    "requests-per-second",
    "headers",
    "key-command",
    "subdomains",
    "expires",
    "blank",
    "permission-covers-robots",
)
_FORMATS = ("png", "webp")

PICTURES_ALONE: Form = {
    "required": ["pictures", "attribution"],
    "properties": {
        "pictures": {"const": True},
        "format": {"enum": list(_FORMATS)},
        **dict.fromkeys(_OF_SERVERS, False),
    },
}


def check_pictures(given: Collection[str], form: str | None) -> None:
    """Raise ValueError where a layer with `pictures = true` says more than it can mean; `given` are its keys."""
    for key in _OF_SERVERS:
        if key in given:
            raise ValueError(
                f"{key} does not go with pictures = true, as such a layer has no server; leave it out"
            )
    if form is not None and form not in _FORMATS:
        raise ValueError(
            f'format is {quote_value(form)}, but where a picture ends its tiles are transparent; use "png" or "webp"'
        )


def check_over(layers: Mapping[str, LayerOver]) -> None:
    """Raise ValueError where a layer lies over one that is not there, over itself, or over one that itself lies over
    another."""
    for name, layer in layers.items():
        if layer.over is None:
            continue
        place = f"In layer {quote_value(name)}, over"
        if layer.over not in layers:
            raise ValueError(
                f"{place} names {quote_value(layer.over)}, which is not a layer of this brief"
                f"{nearest(layer.over, _others(layers, name))}"
            )
        if layer.over == name:
            raise ValueError(f"{place} names the layer itself; name the layer below it")
        if layers[layer.over].over is not None:
            raise ValueError(
                f"{place} names {quote_value(layer.over)}, which lies over another layer itself; name "
                f"{quote_value(layers[layer.over].over)}, so that both lie over the same one"
            )
        if "pbf" in (layer.format, layers[layer.over].format):
            raise ValueError(f"{place} goes with pictures alone, and one of the two has vector tiles")


def _others(layers: Iterable[str], name: str) -> list[str]:
    return [other for other in layers if other != name]
