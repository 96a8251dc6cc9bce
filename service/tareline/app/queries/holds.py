"""Whether feeding is held or reduced, why, and whether the feeders have said so."""

from collections.abc import Sequence

from tareline.app.answers.feeding import HeldFeeder, HoldAnswer, HoldReason, StopAnswer
from tareline.app.context import Context
from tareline.app.projections.samples import Samples
from tareline.app.snapshot import Snapshots, TankSnapshot
from tareline.core.alerts.concerns import and_list
from tareline.core.calendar import rfc3339
from tareline.core.safety.hold import CONFIRM_MS, HoldState
from tareline.core.safety.stops import STOPS, Stop
from tareline.store.devices import Issued


class HoldQueries:
    """The hold of every tank. Each call is one snapshot of the store."""

    def __init__(self, context: Context, samples: Samples) -> None:
        self._context = context
        self._samples = samples

    def hold(self, tank: str) -> HoldAnswer:
        """The hold of a tank. Raises FieldError (404)."""
        self._context.need("tank", tank)
        with self._context.store.read() as tx:
            snapshot = Snapshots(tx, self._context, self._samples).of(tank)
        return self.of(snapshot)

    def of(self, tank: TankSnapshot) -> HoldAnswer:
        """The hold of a tank by its snapshot."""
        zone, state = tank.zone, tank.holds
        feeders = []
        for feeder in tank.feeders:
            asked = feeder.hold
            confirmed = feeder.told is not None and feeder.told.confirmed
            overdue = asked is not None and not confirmed and self._context.waiting_ms(asked.issued_ms) >= CONFIRM_MS
            feeders.append(
                HeldFeeder(
                    feeder=feeder.name,
                    online=bool(feeder.device.online),
                    confirmed=confirmed,
                    asked_at=None if asked is None else rfc3339(asked.issued_ms, zone),
                    overdue=overdue,
                    hung=feeder.off_since_ms is None,
                    stopped=stop_view(feeder.stop, state.held, asked, zone),
                )
            )
        return HoldAnswer(
            held=state.held,
            nothing_moves=nothing_moves(state, feeders),
            reduce_to=state.reduce_to,
            since=None if state.since_ms is None else rfc3339(state.since_ms, zone),
            reasons=[
                HoldReason(
                    kind=r.kind,
                    do=r.do,
                    text=r.text,
                    since=rfc3339(r.since_ms, zone),
                    needs=tank.needs(r),
                    entry=r.entry,
                )
                for r in state.reasons
            ],
            # A feeder that has stopped itself, and has not confirmed its release, counts as confirmed only while held.
            confirmed_by_feeders={f.feeder: f.confirmed and (state.held or f.stopped is None) for f in feeders},
            feeders=feeders,
            message=hold_message(state, feeders),
        )


def hold_message(state: HoldState, feeders: Sequence[HeldFeeder]) -> str:
    """The hold in a few words, with what a person must do where a feeder has not answered."""
    stopped = [f.feeder for f in feeders if f.stopped is not None]
    if stopped and not state.held:
        also = "" if nothing_moves(state, feeders) else f"{_wanted(state, False)}, but "
        many = len(stopped) > 1
        return (
            f"{also}{and_list(stopped)} {'have stopped themselves' if many else 'has stopped itself'} and "
            f"{'have' if many else 'has'} not confirmed the release yet"
        )
    held = nothing_moves(state, feeders)
    wanted = _wanted(state, held)
    if not feeders:
        return f"{wanted}; no feeder on this tank"
    if all(f.confirmed for f in feeders):
        return wanted
    late = [f.feeder for f in feeders if f.overdue]
    if late and held:
        return f"{wanted}: not confirmed, unplug the feeder ({', '.join(late)})"
    if late:
        return f"{wanted}: not confirmed by {', '.join(late)}"
    return f"{wanted}: sent to the feeder, not confirmed yet"


def nothing_moves(state: HoldState, feeders: Sequence[HeldFeeder]) -> bool:
    """Whether the tank is held, or each of its feeders is held because its hopper is off, or has stopped itself."""
    return state.held or (bool(feeders) and not any(f.hung and f.stopped is None for f in feeders))


def _wanted(state: HoldState, held: bool) -> str:
    return "held" if held else f"reduced to {state.reduce_to:.0%}" if state.reduce_to < 1 else "feeding"


def stop_view(stop: Stop | None, held: bool, asked: Issued | None, zone: str) -> StopAnswer | None:
    """That a feeder has stopped itself and has not confirmed its release, and what it waits for; None where it has not
    stopped.

    held: whether its tank is. asked: the newest hold message to it.
    """
    if stop is None:
        return None
    if held:
        waits = "a person to release it"
    elif asked is None or asked.body["held"]:
        waits = "the feeder to confirm that it has received the hold; the release follows automatically"
    else:
        waits = "the feeder to confirm the release"
    return StopAnswer(since=rfc3339(stop.since_ms, zone), code=stop.code, text=STOPS[stop.code].found, waits_for=waits)
