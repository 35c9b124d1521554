"""What to do after each answer: one pure decision from the outcome and the tile's history to an action.

The rules, and why they are what they are:

- A tile that came is stored at once, whatever else goes wrong around it.
- A failure counts against a tile only if the host answered well a request that started later. Then the link was
  sound, and the fault is the tile's. Otherwise an outage of an hour would wear out the attempts of every tile.
- When only failed tiles are left, no later request can tell. Then the host is asked about itself.
- A tile that got no answer in time while others came, or failed twice, is set apart: asked for again on few
  connections, at growing distances, so that sound tiles do not wait behind it.
- Of very many tiles that never come, a sample is enough to have every attempt: see `apart_lane`. The rest of its zoom
  is asked for less often, but not so seldom that chance on the link could have kept a sound tile away.
- Wrong content may be right some minutes later, as where a server draws its tiles anew. Before a tile is given up
  for it, it is asked for again twice, some time apart.
- A "no such tile" or a refusal may come from a device on the way that answers everything so. It waits in
  quarantine until the host has proven itself; believed at once it would leave a hole in the map for good.
- A layer whose first tiles do not exist, at zooms where a wrong address leads astray, is tried with a handful of
  requests before more are sent: until then none of its tiles is noted as absent.
- A server that sends each tile on to a host that the brief does not name is no sign-in page: the layer is stopped, and
  told which host to name. Where other tiles come all the same, only those that are sent on are left for another run.
- A server that gave tiles and refuses each by now (401, 403) no longer accepts the key. The layer waits for a new
  one, as for a sign-in, and no tile is given up meanwhile.
- A layer whose every answer is a refusal has a wrong key or address. It is stopped after a few of them, since no
  number of further requests would help, and each is a burden on the server.

A new outcome is one branch in `TilePolicy.decide` and one row in the table of its tests. There is no event loop, no
clock and no network in here: times are arguments, chance is handed in.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from packer.fetching.actions import (
    HOLD,
    HOST_PROVEN,
    NO_FAILURE,
    NO_WHOLE_TILE,
    AskAboutAddress,
    AskAboutHeld,
    AskAboutPages,
    AskAboutTile,
    Decision,
    Failure,
    HeldVerdict,
    KeepStored,
    KeyEnded,
    NoteAbsent,
    NoteTrouble,
    Requeue,
    RetryAt,
    StopLayer,
    StopReason,
    TileAction,
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
from packer.fetching.answers.quarantine import MOST_HELD, PendingAnswer, Quarantine, signature_of
from packer.fetching.attempts import Attempts
from packer.fetching.failing_tiles import FailingTiles
from packer.fetching.pacing.limits import RetryBudget
from packer.fetching.pacing.signals import (
    Failed,
    PauseKind,
    Signal,
    Succeeded,
    Throttled,
    TileFault,
    Unverified,
)
from packer.fetching.refresh import StoredCopy, stored_or_kept
from packer.fetching.rows import KeyWatch, PageRow, Unreached
from packer.fetching.transports import FailureKind, Response, Result, TransportFailure
from packer.geometry.tileset import Tile

__all__ = ["TileHistory", "TilePolicy"]

_ATTEMPTS = 5
_ATTEMPTS_IF_BUSY = 20  # 503 for one tile while others come
_IN_A_ROW = 20  # refusals or wrong contents without one tile between them: the layer is at fault, not a tile
_SENT_ON = (
    3  # tiles in a row, when each is known to be sent on: a planner has to say whether that host may be used
)
_KEY_AGAIN_S = 2.0  # to a second look at a tile that was refused, while it is not known if the key has ended
_WRONG = "wrong content"
_UNASKED = 'the server says "not modified" (304) to a request without conditions'

_GOOD = (Stored, ServerHasNone, Unchanged)
_OF_THE_LINK = (LinkDown, SignIn)  # they say nothing about how often requests fail on a sound link
_TOO_SLOW = (FailureKind.STALL, FailureKind.DEADLINE)


class TileHistory(NamedTuple):
    """What is known of a tile and its host when an answer has come. Times are on the run's clock.

    `started` is when it was asked for; `last_success` when the latest request started that the host answered as
    only it can. `attempts` count against the tile, None if it was never put back before. `digest` is the SHA-256
    of a tile that came, and `blank` whether the brief says that this picture stands for "no tile". `copy` is how
    the answer compares with the tile on board. `paused` is whether the host is left alone just now, `all_asked`
    whether every tile of the layer was asked for at least once, `spent` whether a sample of its zoom was asked for in
    vain. `probe` is whether the request was to find out
    if the host is back.
    """

    started: float
    last_success: float
    attempts: int | None = None
    digest: bytes = b""
    blank: bool = False
    copy: StoredCopy = StoredCopy.NONE
    paused: bool = False
    all_asked: bool = False
    spent: bool = False
    probe: bool = False


class TilePolicy:
    """The rules of one layer, with what it has to remember for them: rows of refusals, and the quarantine.

    `heard` holds once a server has answered for the layer. `asking` holds while a question about what is held is
    under way: whoever asks it sets it back. `several` is whether more than one server stands behind the
    gate. `keys` knows whether the layer's key has ended. `sign_in_page` makes of an address what may be shown of it,
    since a network may repeat a key in it.
    """

    def __init__(
        self,
        retry_budget: RetryBudget,
        chance: Callable[[], float],
        quarantine: Quarantine,
        sign_in_page: Callable[[str | None], str | None],
        *,
        several: bool = False,
        heard: bool = False,
    ) -> None:
        self.heard, self.asking = heard, False
        self._retry_budget, self._quarantine, self._several = retry_budget, quarantine, several
        self._sign_in_page = sign_in_page
        self._failing = FailingTiles(chance)
        self._attempts = Attempts(retry_budget, self._failing, chance)
        self._refusals = self._sent = 0  # in a row: of refusals, and of tiles sent on to an unnamed host
        self._pages = PageRow(_IN_A_ROW)
        self._unreached, self.keys = Unreached(), KeyWatch()

    @property
    def held(self) -> int:
        """How many answers are in quarantine."""
        return len(self._quarantine)

    @property
    def must_wait(self) -> bool:
        """Whether nothing more should be asked for until the question about what is held is answered."""
        return self.asking and (self._refusals >= _IN_A_ROW or not self._quarantine.proven)

    def decide(
        self, tile: Tile, result: Result, outcome: Outcome, history: TileHistory, now: float
    ) -> Decision:
        """What `outcome`, made of `result`, means for the gate, the tile and the layer."""
        if history.attempts is None and not isinstance(outcome, _OF_THE_LINK):
            self._retry_budget.first_attempt()
        elif isinstance(outcome, _GOOD) and self._failing.came(tile):
            self._retry_budget.recovered()
        match outcome:
            case Stored():
                return self._stored(tile, outcome, history)
            case ServerHasNone(200):  # a body that says so: nobody in between could make it
                return Decision(Succeeded(0), NoteAbsent(200))
            case ServerHasNone():
                self._refusals = 0
                return self._hold(tile, result, history, now)
            case Unchanged():
                return self._unchanged(tile, outcome, history, now)
            case LinkDown(_, reason):
                return self._link_down(reason, history)
            case SignIn():
                return self._sign_in(outcome, history, now)
            case SentOn():
                return self._sent_on(outcome)
            case RetryAfter():
                return self._busy(result, outcome, history, now)
            case TryAgain(reason):
                return self._failed(tile, result, reason, history, now)
            case Refused():
                return self._by_key(tile, outcome, history, now) or self._refused(
                    tile, result, ("refused", outcome.reason), history, now
                )
            case WrongContent(reason):
                return self._refused(tile, result, (_WRONG, reason), history, now)

    def _stored(self, tile: Tile, outcome: Stored, history: TileHistory) -> Decision:
        self._host_proven(tile, history)
        signal = Succeeded(len(outcome.data))
        if history.blank:
            return Decision(signal, NoteAbsent(200))
        action = stored_or_kept(outcome, history.digest, history.copy)
        return Decision(signal, action, None if isinstance(action, NoteTrouble) else HOST_PROVEN)

    def _unchanged(self, tile: Tile, outcome: Unchanged, history: TileHistory, now: float) -> Decision:
        if history.copy is StoredCopy.SAME:
            self._host_proven(tile, history)
            return Decision(Succeeded(0), KeepStored(outcome), HOST_PROVEN)
        if history.copy is StoredCopy.OTHER:
            return Decision(Unverified(), Requeue(without_conditions=True))
        again = self._again(NO_WHOLE_TILE, _UNASKED, _ATTEMPTS, history, now, by_server=True)
        return Decision(Failed(_UNASKED, by_server=True), again)

    def _host_proven(self, tile: Tile, history: TileHistory) -> None:
        self.keys.tile_came(history.started)
        self._refusals = self._sent = 0
        self._pages = PageRow(_IN_A_ROW)
        self._quarantine.tile_came(tile)

    def _failed(self, tile: Tile, result: Result, reason: str, history: TileHistory, now: float) -> Decision:
        by_server = isinstance(result, Response)
        late = isinstance(result, TransportFailure) and result.kind in _TOO_SLOW
        if history.probe and not by_server:
            history = history._replace(all_asked=True)  # a row of broken tiles looks like a lost link
        signal: Signal = Failed(reason, by_server=by_server, timed_out=late)
        if history.last_success > history.started or tile in self._failing:
            signal = TileFault(reason, silent=late)
        failed = self._failing.failed(tile, silent=late)
        again = self._again(NO_WHOLE_TILE, reason, _ATTEMPTS, history, now, failed, by_server=by_server)
        return Decision(signal, again)

    def _busy(self, result: Result, outcome: RetryAfter, history: TileHistory, now: float) -> Decision:
        explicit = isinstance(result, Response) and result.status == 429
        signal = Throttled(outcome.reason, outcome.seconds, explicit)
        if explicit:
            return Decision(signal, Requeue())
        again = self._again("busy", outcome.reason, _ATTEMPTS_IF_BUSY, history, now, by_server=True)
        return Decision(signal, again)

    def _sign_in(self, outcome: SignIn, history: TileHistory, now: float) -> Decision:
        signal = Failed(outcome.reason, PauseKind.SIGN_IN, self._sign_in_page(outcome.where))
        action = self._again("sign-in page", outcome.reason, _ATTEMPTS, history, now)
        return Decision(signal, action, AskAboutPages(now, outcome.reason) if self._pages.another() else None)

    def _sent_on(self, outcome: SentOn) -> Decision:
        self._sent += 1
        stop = (
            StopLayer(StopReason.ANOTHER_HOST, self._sent, outcome.host) if self._sent >= _SENT_ON else None
        )
        return Decision(Unverified(), NoteTrouble("another host", outcome.reason), stop)

    def _link_down(self, reason: str, history: TileHistory) -> Decision:
        # One of several names may be out of order by itself: the tile is asked of the next one. So may https
        # where http is not.
        signal = Failed(reason, None if self._several else PauseKind.LINK)
        stop = None
        if self._several and not self.heard:
            passed_over = self._unreached.another(history.started, history.last_success)
            if passed_over >= _IN_A_ROW:
                stop = StopLayer(StopReason.NO_RESPONSE, passed_over, reason)
        return Decision(signal, Requeue(next_host=True), stop)

    def _by_key(self, tile: Tile, outcome: Refused, history: TileHistory, now: float) -> Decision | None:
        if (ended := self.keys.refused(tile, outcome.status, history.started)) is None:
            return None
        if ended:
            return Decision(Unverified(), Requeue(), KeyEnded(outcome.reason))
        return Decision(Unverified(), RetryAt(now + _KEY_AGAIN_S, history.attempts or 0))

    def _refused(
        self, tile: Tile, result: Result, refusal: tuple[str, str], history: TileHistory, now: float
    ) -> Decision:
        if not self._failing.was_wrong(tile):  # that one is asked for again: the row is of first answers
            self._refusals += 1
        return self._hold(tile, result, history, now, refusal)

    def _hold(
        self,
        tile: Tile,
        result: Result,
        history: TileHistory,
        now: float,
        refusal: tuple[str, str] | None = None,
    ) -> Decision:
        status = result.status if isinstance(result, Response) else 0
        self._quarantine.hold(
            PendingAnswer(tile, status, signature_of(result), history.started, now, refusal)
        )
        then: AskAboutHeld | AskAboutAddress | StopLayer | None = None
        if not self.asking:
            if history.paused or self._quarantine.is_due(now) or self._refusals >= _IN_A_ROW:
                self.asking, then = True, AskAboutHeld(now)
            elif self._quarantine.is_doubtful:
                self.asking, then = True, AskAboutAddress(now, self._quarantine.absent)
            elif len(self._quarantine) >= MOST_HELD:
                then = _absence(self._quarantine)
        return Decision(Unverified(), HOLD, then)

    def _again(
        self,
        kind: str,
        reason: str,
        least: int,
        history: TileHistory,
        now: float,
        failed: Failure = NO_FAILURE,
        *,
        by_server: bool = False,
    ) -> RetryAt | NoteTrouble | AskAboutTile:
        """After a failed attempt, which counts only if the link was seen to be sound meanwhile."""
        spent, attempts = history.spent and kind == NO_WHOLE_TILE, history.attempts or 0
        question = AskAboutTile(history.started, kind, reason, attempts, least, by_server, failed, spent)
        counts = history.last_success > history.started
        if not counts and history.all_asked:
            return question
        return self._attempts.after(question, now, counts=counts)

    def tile_asked(self, question: AskAboutTile, genuine: bool | None, now: float) -> RetryAt | NoteTrouble:
        """`question` is answered: `genuine` is whether it was the host itself, None if nothing can tell."""
        counts = genuine is True or (genuine is None and question.by_server)
        return self._attempts.after(question, now, counts=counts)

    def pages_asked(self, question: AskAboutPages, genuine: bool | None) -> StopLayer | None:
        """`question` is answered: if page after page comes from the host itself, the layer's address is wrong."""
        if not genuine:
            return None
        self._refusals = self._pages.count
        return StopLayer(StopReason.ONLY_REFUSALS, self._pages.count, question.reason)

    def ask_at_end(self, now: float) -> AskAboutHeld:
        """Nothing is left but what is held."""
        self.asking = True
        return AskAboutHeld(now, at_end=True)

    def held_asked(self, question: AskAboutHeld, genuine: bool | None, now: float) -> HeldVerdict:
        """`question` is answered: what becomes of each tile that is held."""
        if genuine is False:
            self._refusals = 0
            return HeldVerdict(False, [(tile, Requeue()) for tile in self._quarantine.reject()])
        believed = bool(genuine) and self._quarantine.proven
        settled: list[tuple[Tile, TileAction]] = []
        stop = None
        if self._refusals >= _IN_A_ROW or (question.at_end and not believed):
            # Even where nothing confirms the host a refusal is noted, since it is asked for again next time;
            # a "no such tile" is not, since it would not be.
            refused = self._quarantine.take_refusals()
            if refused and refused[-1].refusal and self._refusals >= _IN_A_ROW:
                stop = StopLayer(StopReason.ONLY_REFUSALS, self._refusals, refused[-1].refusal[1])
            settled += [
                (held.tile, _settled(held) if stop else self._believed(held, now)) for held in refused
            ]
        if believed:
            settled += self.confirm(question.since, now)
        if question.at_end and self._quarantine:
            stop = stop or _absence(self._quarantine)
        return HeldVerdict(True if believed else None, settled, stop)

    def address_asked(self, question: AskAboutAddress, right: bool | None, reason: str) -> StopLayer | None:
        """`question` is answered: `right` is whether the address gives tiles after all, None if nothing can tell."""
        self._quarantine.doubt_settled(right=bool(right))
        return StopLayer(StopReason.NO_TILE, question.count, reason) if right is False else None

    def confirm(self, since: float, now: float) -> list[tuple[Tile, TileAction]]:
        """The host has answered for itself a request that started at `since`: what came before that is sure, or its
        tile is asked for once more."""
        sure, again = self._quarantine.confirm(since, now)
        if not (sure or again):
            return []
        believed = [(held.tile, self._believed(held, now)) for held in sure]
        return [*((tile, Requeue()) for tile in again), *believed]

    def _believed(self, held: PendingAnswer, now: float) -> TileAction:
        """What becomes of a tile whose answer is sure."""
        # Of a layer that never gave a tile, the brief is wrong and not the hour.
        wrong = held.refusal is not None and held.refusal[0] == _WRONG and self._quarantine.proven
        again_s = self._failing.wrong_again_s(held.tile) if wrong else None
        return _settled(held) if again_s is None else RetryAt(now + again_s, 0)


def _absence(quarantine: Quarantine) -> StopLayer:
    why = StopReason.UNVERIFIED_ABSENCE if quarantine.proven else StopReason.NO_TILE
    return StopLayer(why, quarantine.absent)


def _settled(held: PendingAnswer) -> TileAction:
    return NoteAbsent(held.status) if held.refusal is None else NoteTrouble(*held.refusal)
