"""The firmware on a desk, under both runtimes, with the real service and a real broker."""

import random
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from desk import Desk, Ear
from waiting import until

from conftest import FULL, Household

RUNTIMES = ("micropython", "cpython")
ROUNDS = 60 if FULL else 6


@pytest.fixture
def feeder(household: Household, ear: Ear, tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Desk]:
    """The household's feeder on a desk, with a plan in force."""
    runtime = getattr(request, "param", "micropython")
    made = Desk(tmp_path / "flash", "feeder", household.feeder, household.broker.url, "--runtime", runtime).start()
    household.until(lambda: household.hold()["confirmed_by_feeders"] == {household.feeder: True}, what=lambda: made.log)
    ear.wait(household.feeder, "weight")
    yield made
    made.close()


@pytest.fixture
def probe(common: Household, tmp_path: Path) -> Iterator[Desk]:
    common.post("/probes", id="probe-1", tank=common.tank)
    options = ("--sample-s", "5")
    made = Desk(tmp_path / "flash-probe", "probe", "probe-1", common.broker.url, *options).start()
    yield made
    made.close()


def given(ear: Ear, feeder: Desk, command_id: str, target_g: float) -> dict[str, Any]:
    """Command a dose; returns it as the feeder tells it."""
    ear.command(feeder.device, command_id, "dispense", target_g=target_g)
    seq = ear.reply(feeder.device, command_id)["result"]["seq"]
    for n in range(1, 1000):
        dose: dict[str, Any] = ear.wait(feeder.device, "dose", n)
        if dose["seq"] == seq:
            return dose
    raise AssertionError("no such dose")


@pytest.mark.parametrize("feeder", RUNTIMES, indirect=True)
def test_what_leaves_the_hopper_stands_in_the_ledger(household: Household, ear: Ear, feeder: Desk) -> None:
    before = feeder.truth
    assert abs(before["true_gain_g_per_step"] / before["gain_g_per_step"] - 1) <= 0.03
    dose = given(ear, feeder, "c1", 0.3)
    out_g = before["hopper_g"] - feeder.truth["hopper_g"]
    assert dose["outcome"] == "ok"
    assert dose["steps"] == 300
    # What the scale says agrees with the truth within four of its own deviations.
    assert abs(dose["before_g"] - dose["after_g"] - out_g) <= 4 * dose["sd_g"]
    assert 0 < dose["sd_g"] < 0.01
    (entry,) = household.until(household.doses)
    assert {key: entry[key] for key in dose} == dose
    household.until(lambda: ear.of(feeder.device, "hello"), what="a hello")


def test_hardware_is_there_before_the_first_hello(household: Household, ear: Ear, feeder: Desk) -> None:
    hello = ear.wait(household.feeder, "hello")
    assert feeder.truth["board"] == hello["board"]
    assert hello["clock"] == "set"
    assert hello["firmware"].endswith("-desk")


@pytest.mark.parametrize(
    ("knob", "outcome", "fault"),
    [
        ({"jam": True}, "jam", None),
        ({"stall": True}, "jam", None),
        ({"short": 0.5}, "short", None),
        ({"over": 4}, "over", None),
        ({"cell": "dead"}, "ok", "cell_dead"),
        ({"cell": "saturated"}, "ok", "cell_saturated"),
        ({"cell": "stuck"}, "ok", "cell_stuck"),
        ({"cell": "quiet"}, "ok", "cell_quiet"),
    ],
    ids=str,
)
def test_each_knob_is_seen(ear: Ear, feeder: Desk, knob: dict[str, Any], outcome: str, fault: str | None) -> None:
    feeder.change(knobs=knob)
    dose = given(ear, feeder, "c1", 0.3)
    assert dose["outcome"] == outcome
    assert (dose["before_g"] is None) == (fault is not None)
    if fault is not None:
        assert ear.wait(feeder.device, "fault")["code"] == fault


def test_food_that_is_stolen_counts_for_the_day_and_stops(household: Household, ear: Ear, feeder: Desk) -> None:
    feeder.change(hopper_g=0.05)
    assert given(ear, feeder, "c1", 0.3)["outcome"] == "held"
    until(lambda: {"mass_lost", "stopped_loss"} <= {fault["code"] for fault in ear.of(feeder.device, "fault")})
    household.until(lambda: household.hold()["held"], what="the service's hold")
    released = household.api.post(f"/tanks/{household.tank}/release", json={"note": "somebody has looked"})
    assert released.status_code == 200, released.text
    household.until(lambda: household.hold()["confirmed_by_feeders"] == {feeder.device: True})
    assert given(ear, feeder, "c2", 0.3)["outcome"] == "capped"


def test_the_button_obeys_the_same_rules(household: Household, ear: Ear, feeder: Desk) -> None:
    feeder.change(knobs={"press": "short"})
    dose = ear.wait(feeder.device, "dose")
    assert (dose["cause"], dose["target_g"], dose["outcome"]) == ("button", 0.5, "ok")
    feeder.change(knobs={"press": "long"})
    assert ear.wait(feeder.device, "fault")["code"] == "button_hold"
    left_g = feeder.truth["hopper_g"]
    assert given(ear, feeder, "c1", 0.1)["outcome"] == "held"
    feeder.kill()
    feeder.start()
    ear.command(feeder.device, "c2", "dispense", target_g=0.1)
    assert ear.reply(feeder.device, "c2")["result"]["outcome"] == "held"
    assert feeder.truth["hopper_g"] == left_g


def test_a_restart_is_another_boot_with_the_same_journal(ear: Ear, feeder: Desk) -> None:
    given(ear, feeder, "c1", 0.1)
    first = ear.of(feeder.device, "hello")[-1]
    ear.command(feeder.device, "c2", "restart")
    assert ear.reply(feeder.device, "c2")["ok"]
    hellos = until(lambda: [hello for hello in ear.of(feeder.device, "hello") if hello["boot"] != first["boot"]])
    second = hellos[-1]
    assert second["journal"] == first["journal"]
    assert second["journal_to"] == 1


def test_two_processes_cannot_share_a_flash(feeder: Desk, tmp_path: Path) -> None:
    other = Desk(tmp_path / "flash", "feeder", "other", "mqtt://127.0.0.1:1")
    other.start()
    assert other.process is not None
    assert other.process.wait(30) == 2
    assert "another device process uses it" in other.log


def test_a_probe_sends_what_the_service_takes(common: Household, probe: Desk) -> None:
    for metric, low, high in (("temperature", 20, 30), ("conductivity", 0.02, 0.08), ("voltage", 0.1, 3.1)):
        points = common.until(partial(series, common, metric), what=lambda: probe.log)
        assert low < points[0]["value"] < high
    assert common.rejects("probe-1") == []


def test_a_probe_keeps_what_the_network_does_not_take(household: Household, ear: Ear, tmp_path: Path) -> None:
    household.post("/probes", id="probe-1", tank=household.tank)
    flash = tmp_path / "flash-probe"
    probe = Desk(flash, "probe", "probe-1", household.broker.url, "--sample-s", "5").start()
    try:
        ear.wait("probe-1", "samples")
        household.broker.kill()
        household.until((flash / "backlog.bin").exists, 60, "samples on flash")
        probe.kill()
        probe.start()
        household.broker.start()
        household.until(household.service.healthy, 60)
        # The first sample, the five that stood on flash when power went, and at least one of the next boot.
        household.until(lambda: sum(point["n"] for point in series(household, "temperature")) >= 7, 60)
    finally:
        probe.close()


def series(house: Household, metric: str) -> list[dict[str, Any]]:
    """Every sample of the last quarter of an hour that the service has."""
    now = datetime.now(UTC)
    start, end = str(now - timedelta(minutes=15)), str(now + timedelta(minutes=1))
    query: dict[str, str | int] = {"metric": metric, "start": start, "end": end, "points": 5000}
    answer = house.api.get(f"/tanks/{house.tank}/series", params=query)
    return list(answer.json()["points"]) if answer.status_code == 200 else []


RUBBISH = (
    b"",
    b"{",
    b"[1]",
    b"\xff\xfe",
    b'{"held": "yes"}',
    b'{"id": 5}',
    b"9" * 8000,
    b'{"version": 1e400}',
    b"null",
)


class Afternoon:
    """What may happen to a feeder between lunch and dinner, and what its truth must say all along."""

    def __init__(self, house: Household, ear: Ear, feeder: Desk, seed: str) -> None:
        self.house, self.ear, self.feeder = house, ear, feeder
        self.luck = random.Random(seed)
        self.full_g = feeder.truth["hopper_g"]
        self.gain = feeder.truth["true_gain_g_per_step"]
        self.commands = 0
        self.moment = threading.Event()

    def out_g(self) -> float:
        return float(self.full_g - self.feeder.truth["hopper_g"])

    def command(self) -> None:
        self.commands += 1
        again = self.luck.randint(1, self.commands)  # sometimes an id that has acted already
        for number in (self.commands, again):
            self.ear.command(self.feeder.device, f"c{number}", "dispense", target_g=0.2)

    def rubbish(self) -> None:
        for tail in ("plan", "hold", "received", "time", "command", "nonsense"):
            self.ear.say(self.feeder.device, tail, self.luck.choice(RUBBISH))

    def power_cut(self) -> None:
        self.command()
        self.moment.wait(self.luck.uniform(0.0, 0.8))  # weighing, turning, writing or done
        self.feeder.kill()
        self.feeder.start()

    def broker_restart(self) -> None:
        self.house.broker.kill()
        if self.luck.random() < 0.5:
            self.house.broker.forget()
        self.moment.wait(self.luck.uniform(0.0, 0.5))
        self.house.broker.start()
        self.settle()

    def service_restart(self) -> None:
        self.house.service.kill()
        self.command()
        self.house.service.start(connected=False)
        self.settle()

    def hold(self) -> None:
        """Asked, confirmed; then nothing leaves, whatever is asked."""
        self.house.api.post(f"/tanks/{self.house.tank}/hold", json={"reason": "an afternoon"})
        self.settle()
        held_g = self.out_g()
        self.command()
        self.ear.reply(self.feeder.device, f"c{self.commands}")
        assert self.out_g() == held_g
        self.feeder.kill()
        self.feeder.start()
        self.command()
        self.ear.reply(self.feeder.device, f"c{self.commands}")
        assert self.out_g() == held_g, "moved during a hold, after a power cut"
        self.house.api.post(f"/tanks/{self.house.tank}/release", json={"note": "enough"})
        self.settle()

    def go_on(self, number: int) -> None:
        """The number-th thing: each once, then as it comes."""
        things = (self.power_cut, self.broker_restart, self.service_restart, self.rubbish, self.hold)
        things[number if number < len(things) else self.luck.randrange(len(things))]()

    def settle(self) -> None:
        self.house.until(self.house.service.healthy, 60)
        confirmed = {self.feeder.device: True}
        self.house.until(lambda: self.house.hold()["confirmed_by_feeders"] == confirmed, 90, lambda: self.feeder.log)


@pytest.mark.timeout(3600 if FULL else 300)
@pytest.mark.parametrize("feeder", RUNTIMES, indirect=True)
def test_an_afternoon(
    household: Household, ear: Ear, feeder: Desk, capsys: pytest.CaptureFixture[str], request: pytest.FixtureRequest
) -> None:
    """SIGKILL of the device, restarts of broker and service, rubbish, holds: no rule breaks and the books are right."""
    cap_g = 8.0
    assert household.ration(4.0, cap_g, [("00:00", 1)], confirm=True).status_code == 200
    afternoon = Afternoon(household, ear, feeder, request.node.name)
    afternoon.settle()
    things = [
        afternoon.power_cut,
        afternoon.broker_restart,
        afternoon.service_restart,
        afternoon.rubbish,
        afternoon.hold,
    ]
    for number in range(ROUNDS):
        things[number % len(things) if number < len(things) else afternoon.luck.randrange(len(things))]()
    afternoon.command()
    afternoon.settle()
    device = feeder.device
    ear.command(device, "the last one", "sing")
    ear.reply(device, "the last one")  # commands act in their order: no dose is under way any more

    def everything_is_received() -> bool:
        hello = ear.of(device, "hello")[-1]
        told = {dose["seq"] for dose in ear.of(device, "dose")}
        books = {dose["seq"] for dose in household.doses() if dose["journal"] == hello["journal"]}
        return bool(told) and told <= books and books == set(range(1, max(books) + 1))

    household.until(everything_is_received, 90, lambda: feeder.log)
    books = household.doses()
    assert len({(dose["journal"], dose["seq"]) for dose in books}) == len(books)
    assert len({dose["journal"] for dose in books}) == 1
    meals = [dose["meal"] for dose in books if dose["meal"] is not None]
    assert len(meals) == len(set(meals))
    assert len([dose for dose in books if dose["cause"] == "command"]) <= afternoon.commands
    for one in ear.of(device, "dose"):
        (entry,) = [dose for dose in books if dose["seq"] == one["seq"]]
        assert {key: entry[key] for key in one} == one, "a seq told two things"
    # The truth: nothing beyond the cap, and what left the hopper lies within what the books' steps can have given.
    out_g = afternoon.out_g()
    steps = sum(dose["steps"] for dose in books)
    sure = sum(dose["steps"] for dose in books if dose["outcome"] not in ("interrupted", "held"))
    scatter_g = 5 * 0.1 * afternoon.gain * max(1, steps) ** 0.5
    assert out_g <= cap_g * 1.03
    assert sure * afternoon.gain - scatter_g <= out_g <= steps * afternoon.gain + scatter_g
    lost = [dose for dose in books if dose["outcome"] == "interrupted"]
    with capsys.disabled():
        print(
            f"\n{request.node.callspec.id}: {ROUNDS} rounds, {afternoon.commands} commands, {len(books)} doses, "
            f"{len(lost)} interrupted, {out_g:.2f} g out of the hopper, {steps * afternoon.gain:.2f} g by the books"
        )
