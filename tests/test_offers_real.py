"""Capabilities of real services, as packages carry them: each layer is read or refused rightly, as the table in
docs/sources.md has it.

The documents are in tests/data/capabilities, their origin and licences in LICENCES.md there.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from packer.fetching.answers.service_words import service_words
from packer.sources.offer import Offer, OfferError
from packer.sources.wms import WmsWish, read_wms
from packer.sources.wms_capabilities import WmsCapabilities
from packer.sources.wmts import Wish, read_wmts
from packer.sources.wmts_capabilities import WmtsCapabilities

FOLDER = Path(__file__).parent / "data" / "capabilities"
TABLE = (Path(__file__).parent.parent / "docs" / "sources.md").read_text(encoding="utf-8")


def results(body: bytes, wms: bool) -> tuple[list[Offer], list[str]]:
    """The offers of all layers, and why the others are refused."""
    offers, refused = [], []
    for name in WmsCapabilities(body).layers if wms else WmtsCapabilities(body).layers:
        try:
            offers.append(read_wms(body, WmsWish((name,))) if wms else read_wmts(body, Wish(name)))
        except OfferError as fault:
            refused.append(str(fault))
    return offers, refused


@pytest.mark.parametrize(
    ("name", "read", "refused", "zooms", "word"),
    [
        ("wms-1.3.0-mapserver", 5, 0, (0, 24), ""),
        ("wms-1.1.1-mapserver", 5, 0, (0, 24), ""),
        ("wms-1.3.0-geoserver", 3, 0, (0, 24), ""),
        ("wms-1.3.0-ncwms", 1, 0, (0, 24), ""),
        ("wms-1.1.1-ncwms", 1, 0, (0, 24), ""),
        ("wms-1.3.0-thredds", 1, 0, (0, 24), ""),
        ("wms-1.3.0-standard", 7, 1, None, "as one whole picture"),
        ("wmts-arcgis", 1, 0, (0, 13), ""),
        ("wmts-ign", 1, 0, (0, 19), ""),
        ("wmts-standard", 1, 0, (0, 19), ""),
    ],
)
def test_each_layer_of_a_real_service_is_read_or_refused_as_the_table_says(
    name: str, read: int, refused: int, zooms: tuple[int, int] | None, word: str
) -> None:
    offers, reasons = results((FOLDER / f"{name}.xml").read_bytes(), name.startswith("wms-"))
    assert (len(offers), len(reasons)) == (read, refused)
    assert all(offer.zooms == zooms for offer in offers if zooms is not None)
    # The example of the standard has three layers in EPSG:26986, and others in degrees alone.
    assert sum(offer.grid is not None for offer in offers) == (7 if name == "wms-1.3.0-standard" else 0)
    assert all(any(one in reason for one in word.split("|")) for reason in reasons)
    assert f"| `{name}` | {read} | {refused} |" in TABLE


def test_moments_of_a_real_service_are_found_and_its_largest_picture_is_heeded() -> None:
    [offer], _ = results((FOLDER / "wms-1.3.0-ncwms.xml").read_bytes(), wms=True)
    assert offer.date == "2021-05-05T00:00:00.000Z"
    assert offer.largest_px == (1024, 1024)
    assert "TIME=2021-05-05T00:00:00.000Z" in offer.templates[0]


def test_an_unknown_version_and_an_exception_are_no_capabilities() -> None:
    with pytest.raises(OfferError, match=r"1\.2\.3"):
        WmsCapabilities((FOLDER / "wms-1.2.3-none.xml").read_bytes())
    body = (FOLDER / "service-exception.xml").read_bytes()
    with pytest.raises(OfferError, match="ServiceExceptionReport"):
        WmsCapabilities(body)
    assert service_words(body) == "WMS server error. Check wms/ows_enable_request settings"
