"""Tanks at a glance: what there is, what matters today, and what is due."""

from collections.abc import Mapping

from tareline.app.answers.base import Answer, LocalTime
from tareline.app.answers.days import DayAnswer
from tareline.app.answers.feeding import AbsenceAnswer, DueAnswer, HoldAnswer
from tareline.app.answers.hoppers import TankHopperAnswer
from tareline.app.answers.things import TankAnswer
from tareline.app.answers.water import NewestWaterAnswer
from tareline.app.context import Context
from tareline.app.projections.accounts import Accounts
from tareline.app.projections.samples import Samples
from tareline.app.queries.absence import absence_view
from tareline.app.queries.books import BookQueries
from tareline.app.queries.common import tank_view
from tareline.app.queries.due_list import DueList, due_view
from tareline.app.queries.holds import HoldQueries
from tareline.app.queries.hopper import WeighedContent, tank_hopper, weighed_last
from tareline.app.queries.water import WaterQueries
from tareline.app.snapshot import Snapshots, TankSnapshot
from tareline.core.calendar import rfc3339


class NextMeal(Answer):
    """The next meal of the plans that were sent."""

    at: LocalTime
    feeder: str
    target_g: float


class OverviewAnswer(Answer):
    """A tank with what matters today."""

    tank: TankAnswer
    hold: HoldAnswer
    today: DayAnswer
    water: NewestWaterAnswer
    hoppers: list[TankHopperAnswer]
    next_meal: NextMeal | None
    due: list[DueAnswer]
    absence: AbsenceAnswer


class TankQueries:
    """Every tank. Each call is one snapshot of the store."""

    def __init__(
        self,
        context: Context,
        accounts: Accounts,
        samples: Samples,
        books: BookQueries,
        holds: HoldQueries,
        waters: WaterQueries,
        due_list: DueList,
    ) -> None:
        self._context = context
        self._accounts = accounts
        self._samples = samples
        self._books = books
        self._holds = holds
        self._waters = waters
        self._due_list = due_list

    def all(self) -> list[TankAnswer]:
        """Every tank, in the order in which they were entered."""
        return [tank_view(self._context, tank) for tank in self._context.register.refs("tank")]

    def overview(self) -> list[OverviewAnswer]:
        """Every tank with what matters today."""
        with self._context.store.read() as tx:
            snapshots = Snapshots(tx, self._context, self._samples)
            tanks = [snapshots.of(tank) for tank in self._context.register.refs("tank")]
            weighed = weighed_last(tx, [feeder.name for tank in tanks for feeder in tank.feeders])
        return [self._shown(tank, weighed) for tank in tanks]

    def _shown(self, tank: TankSnapshot, weighed: Mapping[str, WeighedContent]) -> OverviewAnswer:
        (book,), told = self._books.of(tank, tank.today, tank.today)
        return OverviewAnswer(
            tank=tank_view(self._context, tank.id),
            hold=self._holds.of(tank),
            today=self._books.day_view(tank.id, book, told),
            water=self._waters.newest(tank),
            hoppers=[tank_hopper(self._context, self._accounts, tank, f, weighed[f.name]) for f in tank.feeders],
            next_meal=_next_meal(tank),
            due=self._due(tank),
            absence=absence_view(tank),
        )

    def due(self, tank: str) -> list[DueAnswer]:
        """What is due of a tank, the most pressing first."""
        with self._context.store.read() as tx:
            return self._due(Snapshots(tx, self._context, self._samples).of(tank))

    def _due(self, tank: TankSnapshot) -> list[DueAnswer]:
        return [due_view(one, tank.zone, tank.now_ms) for one in self._due_list.of(tank)]


def _next_meal(tank: TankSnapshot) -> NextMeal | None:
    """The next meal that any feeder of a tank is told of."""
    plans = [(feeder.name, feeder.plan.body["meals"]) for feeder in tank.feeders if feeder.plan is not None]
    coming = [(m["at_ms"], name, m["target_g"]) for name, meals in plans for m in meals if m["at_ms"] > tank.now_ms]
    if not coming:
        return None
    at_ms, feeder, target_g = min(coming)
    return NextMeal(at=rfc3339(at_ms, tank.zone), feeder=feeder, target_g=target_g)
