"""Tanks at a glance: what there is, what matters today, and what is due."""

from typing import Any

from sqlalchemy import Connection

from tareline.app.answers.base import Answer, LocalTime
from tareline.app.answers.days import DayAnswer
from tareline.app.answers.feeding import AbsenceAnswer, DueAnswer, HoldAnswer
from tareline.app.answers.hoppers import TankHopperAnswer
from tareline.app.answers.things import TankAnswer
from tareline.app.commands.entries import stated
from tareline.app.context import Context
from tareline.app.projections.accounts import Accounts
from tareline.app.queries.absence import absence_view
from tareline.app.queries.answers import tank_view
from tareline.app.queries.books import BookQueries
from tareline.app.queries.due_list import DueList, due_view
from tareline.app.queries.holds import HoldQueries
from tareline.app.queries.hopper import tank_hoppers
from tareline.app.queries.water import WaterQueries
from tareline.core.calendar import day_of
from tareline.store import devices as device_store


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
    water: Any
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
        books: BookQueries,
        holds: HoldQueries,
        waters: WaterQueries,
        due_list: DueList,
    ) -> None:
        self._context = context
        self._accounts = accounts
        self._books = books
        self._holds = holds
        self._waters = waters
        self._due_list = due_list

    def all(self) -> list[TankAnswer]:
        """Every tank, in the order they were told of."""
        return [tank_view(self._context, tank) for tank in self._context.register.refs("tank")]

    def overview(self) -> list[OverviewAnswer]:
        """Every tank with what matters today."""
        now_ms = self._context.stamp_ms()
        found = []
        with self._context.store.read() as tx:
            for tank in self._context.register.refs("tank"):
                today = day_of(now_ms, self._context.zone(tank))
                (book,), told = self._books.of(tx, tank, today, today, now_ms)
                found.append(
                    OverviewAnswer(
                        tank=tank_view(self._context, tank),
                        hold=self._holds.of(tx, tank, now_ms),
                        today=self._books.day_view(tank, book, told),
                        water=self._waters.newest(tx, tank, now_ms),
                        hoppers=tank_hoppers(tx, self._context, self._accounts, tank),
                        next_meal=self._next_meal(tx, tank, now_ms),
                        due=self._due(tx, tank, now_ms),
                        absence=absence_view(tx, self._context, tank),
                    )
                )
        return found

    def due(self, tank: str) -> list[DueAnswer]:
        """What is due of a tank, the most pressing first."""
        self._context.need("tank", tank)
        with self._context.store.read() as tx:
            return self._due(tx, tank, self._context.stamp_ms())

    def _due(self, tx: Connection, tank: str, now_ms: int) -> list[DueAnswer]:
        return [due_view(one, self._context.zone(tank), now_ms) for one in self._due_list.of(tx, tank)]

    def _next_meal(self, tx: Connection, tank: str, now_ms: int) -> NextMeal | None:
        told = device_store.issued(tx)
        coming = []
        for feeder in self._context.register.devices_of("feeder", tank):
            plan = told.get((feeder, "plan"))
            meals = plan.body["meals"] if plan is not None else []
            coming += [(meal["at_ms"], feeder, meal["target_g"]) for meal in meals if meal["at_ms"] > now_ms]
        if not coming:
            return None
        at_ms, feeder, target_g = min(coming)
        return NextMeal(at=stated(at_ms, self._context.zone(tank)), feeder=feeder, target_g=target_g)
