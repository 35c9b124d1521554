"""The policy of the fetch as a table: an outcome and what is known of the tile go in, an action comes out.

No loop, no clock, no network: times are numbers in the rows. What the rows ask for is this project's own rule, worked
out by hand; common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import get_args

import pytest

from packer.content.payload import Kind
from packer.fetching.actions import (
    HOLD,
    HOST_PROVEN,
    AskAboutHeld,
    AskAboutPages,
    AskAboutTile,
    Decision,
    Failure,
    KeepStored,
    NoteAbsent,
    NoteTrouble,
    Requeue,
    RetryAt,
    StopLayer,
    StopReason,
    Store,
)
from packer.fetching.answers.outcome import (
    LinkDown,
    Outcome,
    Refused,
    RetryAfter,
    SentOn,
    ServerHasNone,
    SignIn,
    Stored,
    TryAgain,
    Unchanged,
    WrongContent,
)
from packer.fetching.answers.quarantine import Quarantine
from packer.fetching.pacing.limits import RetryBudget
from packer.fetching.pacing.signals import (
    Failed,
    PauseKind,
    Succeeded,
    Throttled,
    TileFault,
    Unverified,
)
from packer.fetching.policy import TileHistory, TilePolicy
from packer.fetching.refresh import StoredCopy
from packer.fetching.transports import FailureKind, Response, Result, TransportFailure
from packer.geometry.tileset import Tile

TILE = Tile(12, 2200, 1430)
NOW = 1000.0
ASKED = 999.0  # when the request started
CHANCE = 0.5

CAME = Stored(b"png...", Kind.PNG, '"e"', None, None)
SAME_304 = Unchanged('"e"', None, None)

# What is known of the tile and its host when the answer has come.
NEW = TileHistory(ASKED, last_success=990.0)  # never asked for before; the link may be down
SOUND = TileHistory(ASKED, last_success=999.5)  # a later request came through: the link is sound
THIRD = SOUND._replace(attempts=2)
LAST = SOUND._replace(attempts=5)  # the sixth attempt is the last one, where requests seldom fail
ALONE = NEW._replace(attempts=5, all_asked=True)  # nothing else is under way that could tell
PAUSED = NEW._replace(paused=True)


def copy(kind: StoredCopy) -> TileHistory:
    """A tile on board that is being refreshed."""
    return NEW._replace(copy=kind, digest=b"d")


def response(status: int) -> Response:
    return Response(status, {}, b"")


def retry(attempts: int) -> RetryAt:
    """After so many counted attempts, with chance at a half: half a second, doubled each time, up to 20 s."""
    return RetryAt(NOW + CHANCE * min(0.5 * 2.0 ** (max(attempts, 1) - 1), 20.0), attempts)


@dataclass(frozen=True)
class Row:
    outcome: Outcome
    result: Result
    history: TileHistory
    expected: Decision


BROKEN_OFF = TransportFailure(FailureKind.RESET, "")
SILENT = TransportFailure(FailureKind.STALL, "")
UNASKED = 'the server says "not modified" (304) to a request without conditions'

TABLE = {
    "a tile": Row(CAME, response(200), NEW, Decision(Succeeded(6), Store(CAME, b""), HOST_PROVEN)),
    "a tile that the brief calls blank": Row(
        CAME, response(200), NEW._replace(blank=True), Decision(Succeeded(6), NoteAbsent(200))
    ),
    "a tile that is on board already": Row(
        CAME, response(200), copy(StoredCopy.SAME), Decision(Succeeded(6), KeepStored(CAME), HOST_PROVEN)
    ),
    "a newer tile": Row(
        CAME, response(200), copy(StoredCopy.OTHER), Decision(Succeeded(6), Store(CAME, b"d"), HOST_PROVEN)
    ),
    "one picture for several places": Row(
        CAME,
        response(200),
        copy(StoredCopy.DOUBTFUL),
        Decision(
            Succeeded(6),
            NoteTrouble(
                "same picture",
                "one new picture came for several different places; the stored tiles are kept",
            ),
        ),
    ),
    "a body that says that there is none": Row(
        ServerHasNone(200), response(200), NEW, Decision(Succeeded(0), NoteAbsent(200))
    ),
    "no such tile": Row(ServerHasNone(404), response(404), NEW, Decision(Unverified(), HOLD)),
    "no such tile, in a pause": Row(
        ServerHasNone(404), response(404), PAUSED, Decision(Unverified(), HOLD, AskAboutHeld(NOW))
    ),
    "unchanged": Row(
        SAME_304,
        response(304),
        copy(StoredCopy.SAME),
        Decision(Succeeded(0), KeepStored(SAME_304), HOST_PROVEN),
    ),
    "unchanged, but another copy than ours": Row(
        SAME_304,
        response(304),
        copy(StoredCopy.OTHER),
        Decision(Unverified(), Requeue(without_conditions=True)),
    ),
    "unchanged, without conditions": Row(
        SAME_304,
        response(304),
        copy(StoredCopy.DOUBTFUL),
        Decision(Failed(UNASKED, by_server=True), retry(0)),
    ),
    "unchanged, with nothing on board": Row(
        SAME_304, response(304), NEW, Decision(Failed(UNASKED, by_server=True), retry(0))
    ),
    "no link": Row(
        LinkDown(FailureKind.REFUSED, "refused"),
        TransportFailure(FailureKind.REFUSED, ""),
        LAST,
        Decision(Failed("refused", PauseKind.LINK), Requeue(next_host=True)),
    ),
    "a sign-in page": Row(
        SignIn("portal.example", "page"),
        response(302),
        NEW,
        Decision(Failed("page", PauseKind.SIGN_IN, "PORTAL.EXAMPLE"), retry(0)),
    ),
    "a sign-in page for one tile only": Row(
        SignIn(None, "page"),
        response(200),
        LAST,
        Decision(Failed("page", PauseKind.SIGN_IN), NoteTrouble("sign-in page", "page")),
    ),
    "sent on to a host that the brief does not name": Row(
        SentOn("cdn.example", "sent on"),
        response(302),
        NEW,
        Decision(Unverified(), NoteTrouble("another host", "sent on")),
    ),
    "fewer requests, please": Row(
        RetryAfter(90.0, "429"), response(429), LAST, Decision(Throttled("429", 90.0), Requeue())
    ),
    "busy": Row(
        RetryAfter(0.0, "503"), response(503), LAST, Decision(Throttled("503", 0.0, explicit=False), retry(6))
    ),
    "busy for the twentieth time": Row(
        RetryAfter(0.0, "503"),
        response(503),
        SOUND._replace(attempts=19),
        Decision(Throttled("503", 0.0, explicit=False), NoteTrouble("busy", "503")),
    ),
    "broken off, and the link may be down": Row(
        TryAgain("broken off"), BROKEN_OFF, NEW, Decision(Failed("broken off"), retry(0))
    ),
    "broken off on a sound link": Row(
        TryAgain("broken off"), BROKEN_OFF, SOUND, Decision(TileFault("broken off"), retry(1))
    ),
    "broken off a third time": Row(
        TryAgain("broken off"), BROKEN_OFF, THIRD, Decision(TileFault("broken off"), retry(3))
    ),
    "broken off once too often": Row(
        TryAgain("broken off"),
        BROKEN_OFF,
        LAST,
        Decision(TileFault("broken off"), NoteTrouble("no whole tile", "broken off")),
    ),
    "broken off, with nothing else to ask for": Row(
        TryAgain("broken off"),
        BROKEN_OFF,
        ALONE,
        Decision(
            Failed("broken off"),
            AskAboutTile(
                ASKED, "no whole tile", "broken off", 5, 5, by_server=False, failed=Failure(1, silent=False)
            ),
        ),
    ),
    "broken off as a probe": Row(
        TryAgain("broken off"),
        BROKEN_OFF,
        NEW._replace(paused=True, probe=True),
        Decision(
            Failed("broken off"),
            AskAboutTile(
                ASKED, "no whole tile", "broken off", 0, 5, by_server=False, failed=Failure(1, silent=False)
            ),
        ),
    ),
    "silent on a sound link": Row(
        TryAgain("silent"),
        SILENT,
        SOUND,
        Decision(TileFault("silent", silent=True), RetryAt(NOW + 1.5, 1, apart=True)),  # 0.75 of 1 s doubled
    ),
    "silent": Row(TryAgain("silent"), SILENT, NEW, Decision(Failed("silent", timed_out=True), retry(0))),
    "a server in trouble": Row(TryAgain("502"), response(502), SOUND, Decision(TileFault("502"), retry(1))),
    "refused": Row(Refused("403", 403), response(403), LAST, Decision(Unverified(), HOLD)),
    "refused, in a pause": Row(
        Refused("403", 403), response(403), PAUSED, Decision(Unverified(), HOLD, AskAboutHeld(NOW))
    ),
    "something else than a tile": Row(WrongContent("gif"), response(200), LAST, Decision(Unverified(), HOLD)),
}


def policy(*, proven: bool = True, several: bool = False, heard: bool = True) -> TilePolicy:
    return TilePolicy(
        RetryBudget(),
        lambda: CHANCE,
        Quarantine(proven=proven),
        lambda where: where and where.upper(),
        several=several,
        heard=heard,
    )


@pytest.mark.parametrize("row", TABLE.values(), ids=TABLE)
def test_each_outcome_and_history_leads_to_its_action(row: Row) -> None:
    assert policy().decide(TILE, row.result, row.outcome, row.history, NOW) == row.expected


def test_the_table_has_a_row_for_every_outcome() -> None:
    assert {type(row.outcome) for row in TABLE.values()} == set(get_args(Outcome))


def test_the_third_tile_in_a_row_that_is_sent_on_stops_the_layer_and_names_the_host() -> None:
    rules, sent = policy(), SentOn("cdn.example", "sent on")

    def stop(n: int) -> object:
        return rules.decide(Tile(12, n, 0), response(302), sent, NEW, NOW).then

    assert stop(1) is None
    assert stop(2) is None
    rules.decide(Tile(12, 9, 0), response(200), CAME, NEW, NOW)
    assert [stop(n) for n in (3, 4, 5)] == [None, None, StopLayer(StopReason.ANOTHER_HOST, 3, "cdn.example")]


# ------------------------------------------------------------------------------------------ one tile


@pytest.mark.parametrize(
    ("word", "by_server", "given_up"),
    [(True, False, True), (None, True, True), (None, False, False), (False, True, False)],
)
def test_the_last_failing_tile_is_given_up_only_by_the_hosts_own_word(
    word: bool | None, by_server: bool, given_up: bool
) -> None:
    question = AskAboutTile(ASKED, "no whole tile", "broken off", 5, 5, by_server)
    action = policy().tile_asked(question, word, NOW)
    assert action == (NoteTrouble("no whole tile", "broken off") if given_up else retry(5))


def test_an_outage_however_long_burns_no_attempt() -> None:
    rules, history = policy(), NEW
    for _ in range(1000):
        action = rules.decide(TILE, BROKEN_OFF, TryAgain("broken off"), history, NOW).action
        assert isinstance(action, RetryAt)
        history = history._replace(attempts=action.attempts)
    assert history.attempts == 0


def test_where_requests_fail_by_chance_a_tile_gets_more_attempts() -> None:
    rules = policy()
    for number in range(600):
        outcome: Outcome = TryAgain("broken off") if number % 3 == 0 else CAME
        tile = Tile(12, number, 0)
        rules.decide(tile, BROKEN_OFF, outcome, SOUND, NOW)
        if outcome is not CAME:
            rules.decide(tile, response(200), CAME, THIRD, NOW)
    assert rules.decide(TILE, BROKEN_OFF, TryAgain("broken off"), LAST, NOW).action == retry(6)


# ------------------------------------------------------------------------------------------ rows of answers


def refusals(rules: TilePolicy, count: int, outcome: Outcome, now: float = NOW) -> list[Decision]:
    result = response(404 if isinstance(outcome, ServerHasNone) else 403)
    return [
        rules.decide(Tile(12, n, 0), result, outcome, TileHistory(now - 0.1, now - 0.2, all_asked=True), now)
        for n in range(count)
    ]


def test_twenty_refusals_in_a_row_ask_about_the_host_and_stop_the_layer_if_it_is_itself() -> None:
    rules = policy(proven=False)
    *first, last = refusals(rules, 20, Refused("403", 403))
    assert {decision.then for decision in first} == {None}
    assert last.then == AskAboutHeld(NOW)
    assert rules.must_wait
    verdict = rules.held_asked(last.then, True, NOW)
    assert verdict.stop == StopLayer(StopReason.ONLY_REFUSALS, 20, "403")
    assert [action for _, action in verdict.settled] == [NoteTrouble("refused", "403")] * 20


def test_refusals_by_somebody_else_are_all_asked_for_again() -> None:
    rules = policy()
    questions = [d.then for d in refusals(rules, 20, Refused("403", 403)) if d.then is not None]
    assert questions == [AskAboutHeld(NOW)], "one question at a time"
    rules.asking = False
    verdict = rules.held_asked(AskAboutHeld(NOW), False, NOW)
    assert (verdict.genuine, verdict.stop) == (False, None)
    assert [action for _, action in verdict.settled] == [Requeue()] * 20
    assert not rules.held
    assert not rules.must_wait


def test_a_tile_between_two_refusals_starts_the_row_anew() -> None:
    rules = policy(proven=False)
    for n in range(60):
        assert refusals(rules, 1, Refused("403", 403))[0].then is None
        rules.decide(Tile(3, n, 0), response(200), CAME, NEW, NOW)
        rules.confirm(NOW, NOW)


def test_what_nothing_can_vouch_for_is_not_noted_as_absent_at_the_end() -> None:
    rules = policy()
    refusals(rules, 3, ServerHasNone(404))
    refusals(rules, 2, Refused("403", 403))
    verdict = rules.held_asked(rules.ask_at_end(NOW), None, NOW)
    assert {action for _, action in verdict.settled} == {NoteTrouble("refused", "403")}
    assert verdict.stop == StopLayer(StopReason.UNVERIFIED_ABSENCE, 3)


def test_a_layer_that_never_gave_a_tile_lacks_none_whatever_the_host_says() -> None:
    rules = policy(proven=False)
    refusals(rules, 3, ServerHasNone(404))
    verdict = rules.held_asked(rules.ask_at_end(NOW), True, NOW)
    assert verdict.settled == []
    assert verdict.stop == StopLayer(StopReason.NO_TILE, 3)


def test_gaps_are_settled_once_the_host_is_itself_before_and_after_them() -> None:
    rules = policy()
    rules.confirm(NOW - 1, NOW - 1)
    refusals(rules, 2, ServerHasNone(404))
    again = rules.confirm(NOW + 1, NOW + 1)
    assert [action for _, action in again] == [Requeue(), Requeue()], (
        "an answer of new looks is asked for twice"
    )
    refusals(rules, 2, ServerHasNone(404), NOW + 1.5)
    assert [action for _, action in rules.confirm(NOW + 2, NOW + 2)] == [NoteAbsent(404), NoteAbsent(404)]


def test_a_request_under_way_when_a_gap_came_proves_nothing_about_it() -> None:
    """A device on the way answers five requests in a row; what passed before them arrives after them."""
    rules = policy()
    rules.confirm(NOW - 1, NOW - 1)
    refusals(rules, 5, ServerHasNone(404))
    for started in (NOW - 0.1, NOW - 0.05):  # both were sent before the gaps came in
        assert rules.confirm(started, NOW + 0.1) == []
    assert rules.held == 5
    assert [action for _, action in rules.confirm(NOW, NOW + 0.2)] == [Requeue()] * 5


def test_page_after_page_asks_about_the_host_ever_more_rarely() -> None:
    rules, page = policy(), SignIn(None, "page")
    asked = [
        n
        for n in range(1, 100)
        if rules.decide(Tile(12, n, 0), response(302), page, NEW, NOW).then == AskAboutPages(NOW, "page")
    ]
    assert asked == [20, 40, 80]
    question = AskAboutPages(NOW, "page")
    assert rules.pages_asked(question, False) is None
    assert rules.pages_asked(question, None) is None
    assert rules.pages_asked(question, True) == StopLayer(StopReason.ONLY_REFUSALS, 99, "page")


def test_a_server_that_never_answers_while_others_behind_its_gate_do_is_given_up() -> None:
    rules = policy(several=True, heard=False)
    down = LinkDown(FailureKind.REFUSED, "refused")
    told = []
    for n in range(30):
        history = TileHistory(started=float(n), last_success=n - 0.5)  # another server answered in between
        decision = rules.decide(TILE, TransportFailure(FailureKind.REFUSED, ""), down, history, n + 0.1)
        assert decision.signal == Failed("refused"), "one server of several pauses nobody by itself"
        told.append(decision.then)
    assert told.index(StopLayer(StopReason.NO_RESPONSE, 20, "refused")) == 20
    assert not any(told[:20])


# ------------------------------------------------------------------------------------------ set apart


def failed_again(rules: TilePolicy, tile: Tile) -> RetryAt:
    action = rules.decide(tile, BROKEN_OFF, TryAgain("broken off"), NEW._replace(attempts=0), NOW).action
    assert isinstance(action, RetryAt)
    return action


def test_a_tile_that_failed_twice_is_set_apart_and_asked_for_at_growing_distances() -> None:
    rules = policy()
    actions = [failed_again(rules, TILE) for _ in range(7)]
    assert [action.apart for action in actions] == [False, *[True] * 6]
    assert [action.when - NOW for action in actions[1:]] == [3.0, 6.0, 12.0, 24.0, 30.0, 30.0]


def test_beside_many_tiles_set_apart_a_first_failure_is_enough_until_they_come() -> None:
    rules, others = policy(), [Tile(12, 0, n) for n in range(3)]
    for tile in others * 2:
        failed_again(rules, tile)
    assert failed_again(rules, Tile(12, 5, 5)).apart
    rules.decide(others[0], response(200), CAME, NEW._replace(attempts=0), NOW)
    assert not failed_again(rules, Tile(12, 6, 6)).apart


def test_a_failure_of_a_tile_that_failed_before_says_nothing_of_its_host() -> None:
    rules = policy()
    signals = [rules.decide(TILE, BROKEN_OFF, TryAgain("broken off"), NEW, NOW).signal for _ in range(2)]
    assert signals == [Failed("broken off"), TileFault("broken off")]


def test_however_many_tiles_never_come_each_gets_five_attempts_and_no_more() -> None:
    rules = policy()
    for number in range(400):
        outcome: Outcome = TryAgain("broken off") if number % 4 == 0 else CAME
        rules.decide(Tile(12, number, 0), BROKEN_OFF, outcome, SOUND, NOW)
    decision = rules.decide(TILE, BROKEN_OFF, TryAgain("broken off"), SOUND._replace(attempts=4), NOW)
    assert decision.action == NoteTrouble("no whole tile", "broken off")


def gave_up_after(rules: TilePolicy, history: TileHistory) -> tuple[int, bool]:
    """After how many counted failures the tile is given up, and whether that is fewer than others have."""
    for attempts in range(60):
        action = rules.decide(
            TILE, BROKEN_OFF, TryAgain("broken off"), history._replace(attempts=attempts), NOW
        ).action
        if isinstance(action, NoteTrouble):
            return attempts + 1, action.asked_less
    raise AssertionError("never given up")


def test_beside_a_sample_asked_for_in_vain_two_attempts_are_enough_where_requests_seldom_fail() -> None:
    rules = policy()
    for number in range(400):
        rules.decide(Tile(12, number, 0), response(200), CAME, NEW, NOW)
    assert gave_up_after(rules, SOUND) == (5, False)
    assert gave_up_after(rules, SOUND._replace(spent=True)) == (2, True)


def test_beside_a_sample_asked_for_in_vain_a_bad_link_still_gets_more_attempts() -> None:
    """With one request in three lost, nine in a row are lost by chance once in twenty thousand times."""
    rules = policy()
    for number in range(600):
        tile = Tile(12, number, 0)
        if number % 3 == 0:
            rules.decide(tile, BROKEN_OFF, TryAgain("broken off"), SOUND, NOW)
            rules.decide(tile, response(200), CAME, THIRD, NOW)
        else:
            rules.decide(tile, response(200), CAME, NEW, NOW)
    attempts, asked_less = gave_up_after(rules, SOUND._replace(spent=True))
    assert asked_less
    assert attempts >= 8
    assert (1 / 3) ** attempts < 2e-4


def test_wrong_content_is_asked_about_twice_more_some_time_apart_before_its_tile_is_given_up() -> None:
    rules, wrong, now = policy(), WrongContent("json"), NOW
    actions = []
    for _ in range(4):  # the first answer of new looks is asked for at once
        rules.confirm(now - 0.5, now - 0.5)
        rules.decide(TILE, response(200), wrong, TileHistory(now - 0.1, now - 0.2), now)
        [(_, action)] = rules.confirm(now, now + 0.1)
        actions.append(action)
        now = action.when if isinstance(action, RetryAt) else now + 1
    kinds = [type(action) for action in actions]
    assert kinds == [Requeue, RetryAt, RetryAt, NoteTrouble]
