"""When an answer for robots.txt is believed to be the host's own: nobody's page ever is by chance."""

from __future__ import annotations

import math

import pytest

from packer.fetching.hosts.host_sample import HostReading, HostSample, OwnAnswer, SeenBeside

PAGE = HostSample(200, "text/html", "", b"page", foreign=True)
NOT_FOUND = HostSample(404, "text/plain", "maps", b"none", foreign=False)
RULES = HostSample(200, "text/plain", "maps", b"rules", foreign=False)
NEVER = -math.inf


def reading(sample: HostSample, at: float) -> HostReading:
    return HostReading(sample, at, at + 0.1, at - 1, at)


def beside(last_tile: float, foreign_at: float = NEVER, unsure_at: float = NEVER) -> SeenBeside:
    return SeenBeside(last_tile, foreign_at, unsure_at)


def test_a_reading_is_believed_once_a_tile_was_asked_for_and_came_after_it() -> None:
    own = OwnAnswer(proven=False)
    own.learn(reading(NOT_FOUND, 10), beside(9))
    assert not own.tile_came(beside(10.05)), "asked for while robots.txt was on its way"
    assert own.sample(beside(10.05)) is None
    assert own.tile_came(beside(10.2))
    assert own.sample(beside(10.2)) == NOT_FOUND


def test_a_reading_beside_which_somebody_else_answered_is_dropped() -> None:
    own = OwnAnswer(proven=False)
    own.learn(reading(NOT_FOUND, 10), beside(9))
    assert not own.tile_came(beside(11, foreign_at=9.5))
    assert not own.is_pending
    assert own.sample(beside(11)) is None


@pytest.mark.parametrize(("tile_came", "next_tile"), [(1.0, 10.2), (9.5, 22.0)])
def test_a_reading_with_no_tile_near_on_either_side_is_not_believed(
    tile_came: float, next_tile: float
) -> None:
    own = OwnAnswer(proven=False)
    own.learn(HostReading(NOT_FOUND, 12, 12.1, 0.9, tile_came), beside(0.9))
    assert not own.tile_came(beside(next_tile + 2))
    assert own.sample(beside(next_tile + 2)) is None


def test_a_robots_txt_that_has_changed_takes_the_place_of_the_old_one() -> None:
    own = OwnAnswer(proven=False)
    for at, sample in ((10, NOT_FOUND), (20, RULES)):
        own.learn(reading(sample, at), beside(at - 1))
        own.tile_came(beside(at + 1))
        assert own.sample(beside(at + 1)) == sample


def twice(own: OwnAnswer, sample: HostSample, foreign_at: float = NEVER, unsure_at: float = NEVER) -> bool:
    """Read before the first tile and after it, with a tile at 11; whether it is believed."""
    own.note(reading(sample, 1))
    own.learn(reading(sample, 10), beside(9, foreign_at, unsure_at))
    own.tile_came(beside(11, foreign_at, unsure_at))
    return own.sample(beside(11)) == sample


def test_a_page_is_believed_only_if_every_answer_between_two_readings_was_a_tile() -> None:
    assert twice(OwnAnswer(proven=False), PAGE)
    assert not twice(OwnAnswer(proven=False), PAGE, foreign_at=5)
    assert not twice(OwnAnswer(proven=False), PAGE, unsure_at=5)
    assert not twice(OwnAnswer(proven=False), PAGE, unsure_at=10.5)
    assert twice(OwnAnswer(proven=False), NOT_FOUND, unsure_at=5), "gaps in the ground say nothing against it"


def test_a_page_that_was_believed_says_nothing_once_pages_come_for_tiles() -> None:
    own = OwnAnswer(proven=False)
    assert twice(own, PAGE)
    assert own.sample(beside(12, foreign_at=13)) is None


@pytest.mark.parametrize("proven", [False, True])
def test_a_body_that_differs_each_time_is_left_out_of_the_sample(proven: bool) -> None:
    own = OwnAnswer(proven=proven)
    for at, body in ((1, b"a"), (10, b"b")):
        own.learn(reading(HostSample(404, "", "", body, foreign=False), at), beside(at - 1))
        if own.is_pending:
            own.tile_came(beside(at + 1))
    known = own.sample(beside(12))
    assert known is not None
    assert known.body == b""
    assert own.settled


def test_over_https_another_answer_is_the_hosts_own_once_it_lasts_for_minutes_without_a_tile() -> None:
    own = OwnAnswer(proven=True)
    own.set_own(RULES)
    for at in (10, 300, 609):
        own.note_again(reading(NOT_FOUND, at))
        assert own.sample(beside(5)) == RULES, "as of a device on the way"
    own.note_again(reading(NOT_FOUND, 611))
    assert own.sample(beside(5)) == NOT_FOUND


def test_over_https_a_tile_or_another_answer_begins_those_minutes_again() -> None:
    own = OwnAnswer(proven=True)
    own.set_own(RULES)
    own.note_again(reading(NOT_FOUND, 10))
    own.note_again(reading(RULES, 300))
    own.note_again(reading(NOT_FOUND, 611))
    assert own.sample(beside(5)) == RULES
    own.learn(reading(RULES, 1000), beside(999))
    own.note_again(reading(NOT_FOUND, 1300))
    assert own.sample(beside(5)) == RULES


def test_a_host_that_proves_its_name_is_believed_without_a_tile_after() -> None:
    own = OwnAnswer(proven=True)
    own.learn(reading(NOT_FOUND, 10), beside(9))
    assert own.sample(beside(9)) == NOT_FOUND
