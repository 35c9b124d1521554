"""Fixtures shared by the tests: a brief in a folder, and briefs for a test server."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

# As the command does, and before numpy is loaded: threads for small matrices cost far more than they bring.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from packer.planning.brief import Brief

# A busy machine is no failure.
settings.register_profile("steady", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("steady")

# What processes share of a host's caps and pauses is of this test run only.
os.environ["XDG_STATE_HOME"] = tempfile.mkdtemp(prefix="lastbar-state-")

BriefMaker = Callable[..., Brief]

_BRIEF = """
title = "Test ground"
{overview}
[layers.survey]
url = "{url}"
attribution = "Test Survey (invented)"
permission = "Own server"
zooms = [0, 19]
connections = {connections}
requests-per-second = {rate}
{layer}
[[areas]]
name = "ground"
{area}
"""


@pytest.fixture
def brief_for(tmp_path: Path) -> BriefMaker:
    """Makes the brief of one layer and one area in the test's own folder, written to disk as well."""

    def make(
        url: str,
        area: str = "box = [12.30, 47.00, 12.34, 47.03]\ndeepest = 15",
        layer: str = "",
        connections: int = 8,
        rate: int = 100_000,
        overview: str = "overview = false",
    ) -> Brief:
        text = _BRIEF.format(
            url=url, area=area, layer=layer, connections=connections, rate=rate, overview=overview
        )
        path = tmp_path / "brief.toml"
        path.write_text(text, encoding="utf-8")
        return Brief.read(path)

    return make
