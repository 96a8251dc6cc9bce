"""`tareline conform`: keeps to the contract with devices that do, and names the one rule that a device breaks.

Devices run beside each other on one broker, since each run waits for most of its time.
"""

import json
import subprocess
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from beds import Bed, Program, programs
from breakers import ALONE, BLIND, EXAMPLES, MUTANTS, Feeder, Probe, TimeIgnored, WrongUnit
from desk import Ear
from servers import Broker

from tareline.conform import run
from tareline.conform.bench import Options
from tareline.conform.rules import RULES
from tareline.conform.verdicts import Verdicts
from tareline.conform.wire import Wire

PATIENCE_S = 15.0


def tried(device: Bed | Program, broker: Broker) -> Verdicts:
    with device:
        return run.tried(
            broker.url, "tareline", device.name, device.kind, None, patience_s=PATIENCE_S, samples_s=PATIENCE_S
        )


@pytest.fixture(scope="module")
def common_broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    made = Broker(tmp_path_factory.mktemp("conform"))
    made.start()
    yield made
    made.close()


@pytest.fixture(scope="module")
def runs(common_broker: Broker, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[[str], Verdicts]]:
    """Every device, tried beside the others; by name."""
    folder, port = tmp_path_factory.mktemp("devices"), common_broker.port
    devices: list[Bed | Program] = [*programs(port, folder)]
    devices += [Bed(made, port, folder) for made in (Feeder, Probe, *MUTANTS, *ALONE)]
    devices += [Bed(made, port, folder, clock=False) for made in (Feeder, Probe, TimeIgnored, *BLIND)]
    with ThreadPoolExecutor(len(devices)) as pool:
        futures = {device.name: pool.submit(tried, device, common_broker) for device in devices}
        yield lambda name: futures[name].result(240)


def told(verdicts: Verdicts) -> str:
    return "\n".join(f"{rule}: {breach}" for rule, breach in verdicts.breaches.items()) + str(verdicts.untried)


@pytest.mark.parametrize("made", MUTANTS, ids=lambda made: made.__name__)
def test_a_device_that_breaks_a_rule_is_told_that_rule(made: type, runs: Callable[[str], Verdicts]) -> None:
    verdicts = runs(made.__name__.lower())
    assert [rule.id for rule in verdicts.broken()] == [MUTANTS[made]], told(verdicts)
    breach = verdicts.breaches[MUTANTS[made]]
    assert breach.expected
    assert breach.came


@pytest.mark.parametrize("made", BLIND, ids=lambda made: made.__name__)
def test_a_device_without_a_clock_that_breaks_a_rule(made: type, runs: Callable[[str], Verdicts]) -> None:
    verdicts = runs(f"{made.__name__}-blind".lower())
    assert [rule.id for rule in verdicts.broken()] == [BLIND[made]], told(verdicts)


def test_every_rule_that_a_program_can_try_is_broken_by_a_device() -> None:
    tried_here = {*MUTANTS.values(), *BLIND.values()}
    alone = {*ALONE.values(), "time-taken"}  # nothing works without these
    assert tried_here | alone == {rule.id for rule in RULES.values() if not rule.by_hand}


NEED_A_CLOCK = {"dose-time"}
NEED_NO_CLOCK = {"time-stale", "time-taken", "no-clock-no-expiry"}


@pytest.mark.parametrize(
    "name",
    [
        "feeder",
        "probe",
        "sketch-feeder",
        "sketch-probe",
        "plain-feeder",
        "plain-probe",
        "feeder-blind",
        "probe-blind",
        "sketch-feeder-no-clock",
        "sketch-probe-no-clock",
        "desk-feeder-micropython",
        "desk-probe-micropython",
        "desk-feeder-cpython",
        "desk-probe-cpython",
    ],
)
def test_the_examples_and_our_own_firmware_keep_every_rule(name: str, runs: Callable[[str], Verdicts]) -> None:
    verdicts = runs(name)
    assert verdicts.breaches == {}, told(verdicts)
    assert not verdicts.ended
    untried = {rule.id for rule, _ in verdicts.not_tried() if not rule.by_hand}
    blind = name.endswith(("-blind", "-no-clock", "-cpython"))
    assert untried <= (NEED_A_CLOCK if blind else NEED_NO_CLOCK), told(verdicts)


# -- what nothing works without: the run says so, and ends or leaves the rest


@pytest.mark.parametrize("made", ALONE, ids=lambda made: made.__name__)
def test_what_nothing_works_without(made: type, runs: Callable[[str], Verdicts]) -> None:
    verdicts = runs(made.__name__.lower())
    assert ALONE[made] in verdicts.breaches, told(verdicts)


def test_a_time_that_is_never_taken(runs: Callable[[str], Verdicts]) -> None:
    verdicts = runs("timeignored-blind")
    assert [rule.id for rule in verdicts.broken()] == ["time-taken"], told(verdicts)
    assert verdicts.ended


# -- the command


def command(broker: Broker, device: str, *options: str, answer: str = "") -> subprocess.CompletedProcess[str]:
    program = str(Path(sys.executable).with_name("tareline"))
    words = [program, "conform", "--device", device, "--broker", broker.url, "--patience-s", "10", *options]
    return subprocess.run(words, input=answer, capture_output=True, text=True, timeout=200, check=False)


def test_the_command_tells_what_was_kept_and_what_was_broken(common_broker: Broker, tmp_path: Path) -> None:
    good, bad = (
        Bed(Probe, common_broker.port, tmp_path, name="good"),
        Bed(WrongUnit, common_broker.port, tmp_path, name="bad"),
    )
    with good, bad, ThreadPoolExecutor(2) as pool:
        kept, broken = pool.map(lambda name: command(common_broker, name), ("good", "bad"))
    assert kept.returncode == 0, kept.stdout + kept.stderr
    assert " 0 broken" in kept.stdout
    assert broken.returncode == 1
    assert "BROKEN  senml-units" in broken.stdout
    assert RULES["senml-units"].text in broken.stdout
    assert '"u": "C"' in broken.stdout.replace("'", '"')
    assert "last-will" in broken.stdout  # not tried, and how to


def test_nothing_moves_before_somebody_has_said_that_there_is_a_dish(common_broker: Broker, tmp_path: Path) -> None:
    with Bed(Feeder, common_broker.port, tmp_path, name="asked"):
        said = command(common_broker, "asked", answer="n\n")
    assert said.returncode == 2
    assert "a dish under it, never a tank" in said.stdout
    assert "at most 3 g" in said.stdout
    assert json.loads((tmp_path / "asked" / "state.json").read_text())["seq"] == 0


def test_a_device_of_a_real_service_is_left_alone(common_broker: Broker, tmp_path: Path) -> None:
    ear = Ear(common_broker)
    plan = {"installation": "a-house", "version": 5, "issued_at_ms": 1, "days": [], "meals": [], "fallback": None}
    ear.say("housed", "plan", plan, retain=True)
    try:
        with Bed(Feeder, common_broker.port, tmp_path, name="housed"):
            refused = command(common_broker, "housed", "--yes")
    finally:
        ear.close()
    assert refused.returncode == 2
    assert "'a-house'" in refused.stderr
    assert "--take-over" in refused.stderr
    assert json.loads((tmp_path / "housed" / "state.json").read_text())["seq"] == 0


def test_somebody_else_who_speaks_ends_the_run_and_the_device_is_left_held(
    common_broker: Broker, tmp_path: Path
) -> None:
    ear = Ear(common_broker)
    wire = Wire(common_broker.url, "tareline", "shared", None)

    def speak(case: run.Case, verdicts: Verdicts) -> None:
        ear.say("shared", "command", {"id": "x", "do": "tare"})

    try:
        with Bed(Feeder, common_broker.port, tmp_path, name="shared"):
            run.find_kind(wire, None)
            verdicts = run.run(wire, Options("feeder", patience_s=PATIENCE_S), speak)
    finally:
        wire.close()
        ear.close()
    assert "somebody else speaks to the device" in verdicts.ended
    assert "dispense" in verdicts.untried


def test_a_run_leaves_the_feeder_held_without_meals(runs: Callable[[str], Verdicts], common_broker: Broker) -> None:
    assert runs("feeder").breaches == {}
    wire = Wire(common_broker.url, "tareline", "feeder", None)
    wire.close()
    assert wire.issued["hold"]["held"] is True
    assert wire.issued["plan"]["meals"] == []
    assert {day["cap_g"] for day in wire.issued["plan"]["days"]} == {0.0}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--broker", "mqtt://127.0.0.1:1"), "device: expected"),
        (("--device", "x"), "broker: expected"),
        (("--device", "x", "--broker", "http://h"), 'expected "mqtt://HOST:PORT"'),
        (("--device", "x", "--broker", "mqtt://127.0.0.1:1"), "cannot be reached"),
    ],
)
def test_bad_input_is_one_clear_line(words: tuple[str, ...], said: str) -> None:
    program = str(Path(sys.executable).with_name("tareline"))
    done = subprocess.run([program, "conform", *words], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 2
    assert said in done.stderr
    assert done.stderr.count("\n") == 1


def test_the_list_shows_every_rule_and_how_to_try_by_hand() -> None:
    program = str(Path(sys.executable).with_name("tareline"))
    done = subprocess.run([program, "conform", "--list"], capture_output=True, text=True, timeout=60, check=True)
    for rule in RULES.values():
        assert f"{rule.id} ({', '.join(rule.kinds)}): {rule.text}" in done.stdout
    assert done.stdout.count("By hand: ") == sum(bool(rule.by_hand) for rule in RULES.values())


def test_the_page_for_other_devices_names_every_rule() -> None:
    page = (EXAMPLES.parent / "OTHER-DEVICES.md").read_text(encoding="utf-8")
    assert [rule for rule in RULES if f"`{rule}`" not in page] == []
