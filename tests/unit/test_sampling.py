"""Samples of a probe in a service: what they reduce, hold, restore and release, and what a loose probe never does."""

import random
from collections.abc import Callable
from functools import partial
from typing import Any

import pytest
from house import DAY_MS, HOUR_MS, MINUTE_MS, TANK, House

from present import present
from tareline.errors import FieldError

STEP_MS = 5 * MINUTE_MS
PROBE = "probe"
WET = 0.05  # S/m: some 320 mg/L of dissolved solids
HOLD_ON_AMMONIA = {"analyte": "ammonia", "above": 2.0, "unit": "mg/L", "basis": "N", "do": "hold"}


@pytest.fixture
def house(house: House) -> House:
    house.add("probe", id=PROBE, tank=TANK)
    return house


def line(do: str, above: float, **other: Any) -> dict[str, Any]:
    return {"analyte": "temperature", "above": above, "unit": "degC", "do": do, **other}


def put_lines(house: House, *lines: dict[str, Any]) -> None:
    house.service.feeding.put_lines(TANK, {"lines": [HOLD_ON_AMMONIA, *lines]})


class Water:
    """A tank whose probe samples every five minutes: 24 degC but for noise, until told otherwise."""

    def __init__(self, house: House, cell: bool = True) -> None:
        self.house, self.cell = house, cell
        self.celsius = 24.0
        self.noise = random.Random(1)

    def lives(self, ms: int, celsius: Callable[[int], float] | None = None, wet: float = WET) -> None:
        """Let time pass with samples. celsius: by step, in place of the water's own."""
        clock, points = self.house.clock, []
        for i in range(ms // STEP_MS):
            clock.advance(STEP_MS)
            value = self.celsius + self.noise.gauss(0, 0.02) if celsius is None else celsius(i)
            points.append((clock.now_ms(), round(value, 4), wet + self.noise.gauss(0, 1e-4) if self.cell else None))
        self.house.samples(points)
        self.house.watch()

    def warms(self, to: float) -> None:
        """By half a degree an hour, looked at every hour."""
        while abs(to - self.celsius) > 1e-6:
            end = self.celsius + max(-0.5, min(0.5, to - self.celsius))
            self.lives(HOUR_MS, partial(self._on_the_way, end))
            self.celsius = end

    def _on_the_way(self, end: float, number: int) -> float:
        """What the probe shows at step `number`, 0 to 11, of an hour on its way to the temperature `end`, in degC."""
        return self.celsius + (end - self.celsius) * (number + 1) / 12 + self.noise.gauss(0, 0.02)


def keys(house: House) -> list[tuple[str, str]]:
    return [(one.kind, one.what) for one in house.watch()]


def about_warmth(house: House) -> list[str]:
    return [what for kind, what in keys(house) if kind == "line" and "temperature" in what]


def test_a_heat_wave_is_told_within_the_least_duration_and_reduces_until_it_is_clear_of_its_line(house: House) -> None:
    put_lines(house, line("notify", 28.0), line("reduce", 30.0, reduce_to=0.5))
    water = Water(house)
    water.lives(3 * DAY_MS)
    water.warms(29.0)
    water.lives(30 * MINUTE_MS)
    assert about_warmth(house) == ["reading room: temperature is too high"]
    assert house.hold().reduce_to == 1.0
    water.warms(31.0)
    water.lives(HOUR_MS + 10 * MINUTE_MS)
    assert house.hold().reduce_to == 0.5
    assert (house.last("hold") or {})["reduce_to"] == 0.5, "told to the feeder"
    assert len(house.standing("hold")) == 1
    water.warms(29.9)
    water.lives(2 * HOUR_MS)
    assert house.hold().reduce_to == 0.5, "within the hysteresis of 0.3 K the line is not clear"
    water.warms(29.0)
    water.lives(15 * MINUTE_MS)
    assert house.hold().reduce_to == 1.0, "restored by rule, although the line at 28 is still crossed"
    assert about_warmth(house) == ["reading room: temperature is too high"]


def test_water_about_a_line_reduces_and_restores_but_once(house: House) -> None:
    put_lines(house, line("reduce", 30.0, reduce_to=0.5))
    water = Water(house)
    water.lives(3 * DAY_MS)
    water.warms(30.0)
    for i in range(48):
        water.celsius = 30.0 + (0.15 if i % 2 else -0.15)
        water.lives(30 * MINUTE_MS)
    assert [(entry.do, entry.reduce_to) for entry in house.ledger("hold")] == [("reduce", 0.5)]
    assert not house.ledger("release")


def test_samples_hold_though_the_ramp_or_the_trends_of_the_tank_fail(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError

    put_lines(house, line("hold", 30.0))
    water = Water(house)
    water.lives(3 * DAY_MS)
    monkeypatch.setattr(house.service.ramps, "proposed", broken)
    monkeypatch.setattr(house.service.trends, "compute", broken)
    water.warms(31.0)
    water.lives(2 * HOUR_MS)
    assert house.hold().held


def test_a_hold_waits_for_a_person_whose_release_may_rest_on_samples(house: House) -> None:
    put_lines(house, line("notify", 27.0), line("hold", 30.0))
    water = Water(house)
    water.lives(3 * DAY_MS)
    water.warms(31.0)
    water.lives(2 * HOUR_MS)
    assert house.hold().held
    with pytest.raises(FieldError) as refused:
        house.service.release(TANK, {"note": "too early"})
    assert refused.value.status == 409
    water.warms(28.0)
    water.lives(HOUR_MS)
    assert house.hold().held, "a hold is never ended by rule"
    assert house.hold().reasons[0].needs is None
    assert [d.what for d in house.service.tanks.due(TANK) if d.what == "release"] == ["release"]
    assert not house.service.release(TANK, {"note": "cooler, though still above 27"}).held


def test_a_thermometer_without_a_cell_notifies_and_never_holds(house: House) -> None:
    put_lines(house, line("hold", 30.0))
    water = Water(house, cell=False)
    water.lives(3 * DAY_MS)
    water.warms(31.0)
    water.lives(3 * HOUR_MS)
    assert not house.hold().held
    (alert,) = [one for one in house.watch() if one.kind == "line"]
    assert "only notifies" in alert.text


def test_a_reading_clear_of_the_line_ends_what_samples_say_until_they_have_said_it_anew(house: House) -> None:
    put_lines(house, line("notify", 30.0))
    water = Water(house)
    water.lives(3 * DAY_MS)
    water.warms(30.1)
    water.lives(2 * HOUR_MS)
    assert about_warmth(house)
    house.clock.advance(1)
    house.reading("temperature", 29.9)
    house.watch()
    house.clock.advance(11 * MINUTE_MS)
    assert not about_warmth(house)
    water.warms(34.0)
    water.lives(2 * HOUR_MS)
    assert about_warmth(house), "one reading must not hide what the water does for days after"


def test_lines_that_are_gone_and_probes_that_were_taken_off_hold_nothing(house: House) -> None:
    put_lines(house, line("hold", 30.0))
    water = Water(house)
    water.lives(3 * DAY_MS)
    water.warms(31.0)
    water.lives(2 * HOUR_MS)
    assert house.hold().held
    put_lines(house, line("notify", 35.0))
    house.clock.advance(1)
    house.reading("temperature", 29.0)
    assert not house.service.release(TANK, {"note": "another line"}).held
    put_lines(house, line("hold", 30.0))
    house.service.things.put("probe", PROBE, {"tank": None})
    house.reading("temperature", 29.0)
    assert not house.hold().held


def test_a_line_moved_below_the_water_goes_on_reducing_at_once(house: House) -> None:
    lines = [{**HOLD_ON_AMMONIA, "above": 1.0, "do": "reduce", "reduce_to": 0.5}, HOLD_ON_AMMONIA]
    house.service.feeding.put_lines(TANK, {"lines": lines})
    house.reading("ammonia", 1.2)
    assert house.hold().reduce_to == 0.5
    house.clock.advance(HOUR_MS)
    lines[0] = {**lines[0], "above": 0.5}
    house.service.feeding.put_lines(TANK, {"lines": lines})
    answer = house.reading("ammonia", 0.8)
    assert present(answer.hold).reduce_to == 0.5, "the reading is clear of the old line, and beyond the new one"


LOOSE: dict[str, Callable[[int], float]] = {
    "85 degC for hours": lambda i: 85.0,
    "85 degC now and then": lambda i: 85.0 if i % 3 else 24.0,
    "-127": lambda i: -127.0,
    "jumping": lambda i: random.Random(i).uniform(0, 60),
    "in the sun": lambda i: 45.0 + random.Random(i).gauss(0, 0.5),
}


@pytest.mark.parametrize("fault", LOOSE)
@pytest.mark.parametrize("cell", [True, False], ids=["cell", "no cell"])
def test_a_loose_probe_never_holds_and_makes_no_ammonia_toxic(house: House, fault: str, cell: bool) -> None:
    put_lines(
        house,
        line("hold", 30.0),
        {"analyte": "temperature", "below": 18.0, "unit": "degC", "do": "hold"},
        {"analyte": "free_ammonia", "above": 0.05, "unit": "mg/L", "basis": "N", "do": "hold"},
    )
    water = Water(house, cell)
    water.lives(2 * DAY_MS)
    house.reading("temperature", 24.0)
    # Un-ionised at pH 8 and 24 degC: 5.0 % (Emerson and others 1975), 0.035 mg/L of 0.7; 0.05 would take 29 degC.
    house.reading("ph", 8.0)
    house.reading("ammonia", 0.7)
    assert not house.hold().held
    for _ in range(8):
        water.lives(3 * HOUR_MS, LOOSE[fault], wet=0.0)
        house.reading("ammonia", 0.7)
        assert not house.hold().held


def test_a_thermometer_on_the_shelf_from_the_start_tells_nothing_of_ammonia(house: House) -> None:
    """Calm air looks like water; without a cell and without a reading that agreed, it is not known where it hangs."""
    water = Water(house, cell=False)
    water.celsius = 33.0
    house.reading("ph", 8.0)
    water.lives(3 * DAY_MS)
    # 8.9 % un-ionised at 33 degC would be 0.062 mg/L of 0.7, over the default line at 0.05; at 25 degC it is 0.038.
    house.reading("ammonia", 0.7)
    assert not house.hold().held
    water_view = house.service.waters.water(TANK).unionised_ammonia_mg_n_per_l
    assert "temperature" in present(water_view).assumed
    assert [d.subject for d in house.service.tanks.due(TANK) if d.subject == "temperature"], "asked for once"
    house.reading("temperature", 33.1)
    house.watch()
    house.clock.advance(DAY_MS // 4)
    water.lives(HOUR_MS)
    assert not [d for d in house.service.tanks.due(TANK) if d.subject == "temperature"], "a probe that agreed"


def test_a_probe_that_drifted_far_from_the_readings_tells_nothing_of_ammonia(house: House) -> None:
    water = Water(house)
    water.celsius = 33.0  # and the pen says 26
    for day in range(3):
        water.lives(DAY_MS)
        house.reading("temperature", 26.0 + day / 100)
        water.lives(HOUR_MS)
    house.reading("ph", 8.0)
    house.reading("ammonia", 0.7)
    assert not house.hold().held
    assert any("drifting" in what for _, what in keys(house))


def test_a_cell_that_falls_silent_in_the_air_is_dry_soon(house: House) -> None:
    """Months of hourly means must not make a pause of minutes look usual."""
    put_lines(house, line("hold", 26.0))
    water = Water(house)
    water.lives(10 * DAY_MS)
    water.cell = False
    water.lives(40 * MINUTE_MS)
    assert any("out of the water" in what for _, what in keys(house))


def test_a_probe_is_called_silent_after_an_hour_and_not_for_the_time_the_service_was_down(house: House) -> None:
    water = Water(house)
    water.lives(10 * DAY_MS)
    house.service.stop()
    house.clock.advance(2 * DAY_MS)
    house.open()
    assert not any("no samples" in what for _, what in keys(house)), "what it kept comes soon"
    water.lives(HOUR_MS)
    assert not any("no samples" in what for _, what in keys(house))
    house.clock.advance(70 * MINUTE_MS)
    assert any("no samples" in what for _, what in keys(house))


def test_a_clock_that_fell_back_makes_no_probe_silent_and_no_sample_late(house: House) -> None:
    put_lines(house, line("hold", 30.0))
    water = Water(house)
    water.lives(3 * DAY_MS)
    for analyte, value in (("ammonia", 0.1), ("nitrite", 0.0), ("nitrate", 2.0), ("ph", 7.5)):
        house.reading(analyte, value)
    before = keys(house)
    house.clock.set(house.clock.now_ms() - 400 * DAY_MS)
    assert house.service.context.behind_ms()
    for _ in range(20):
        house.clock.advance(10 * MINUTE_MS)
        assert keys(house) == before
