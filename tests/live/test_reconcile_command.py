"""`tareline reconcile` against the real service: it prints what the API tells, or one clear line."""

import os
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from device import now_ms
from servers import Broker, Service, free_port

from conftest import Household

DAY_MS = 86_400_000


def run(config: Path, feeder: str, start: str, end: str, **environment: str) -> subprocess.CompletedProcess[str]:
    program = Path(sys.executable).parent / "tareline"
    inherited = {key: value for key, value in os.environ.items() if not key.startswith("TARELINE_")}
    return subprocess.run(
        [program, "reconcile", "--feeder", feeder, "--start", start, "--end", end, "--config", config],
        capture_output=True, text=True, timeout=60, check=False, env={**inherited, **environment},
    )  # fmt: skip


def refused(config: Path, feeder: str, start: str, end: str, **environment: str) -> str:
    """The one line by which a command ended."""
    ended = run(config, feeder, start, end, **environment)
    assert ended.returncode == 2
    assert ended.stdout == ""
    (line,) = ended.stderr.splitlines()
    assert line.startswith("tareline: ")
    return line


def days() -> tuple[str, str]:
    today = datetime.now(UTC).date()
    return (today - timedelta(days=6)).isoformat(), today.isoformat()


@pytest.fixture
def config(common: Household) -> Path:
    return common.service.config


def test_it_prints_doses_balances_and_limits(common: Household, config: Path) -> None:
    device = common.device()
    weighed_ms = now_ms() - 3 * DAY_MS
    at = datetime.fromtimestamp(weighed_ms / 1000, UTC).isoformat()
    common.post(f"/feeders/{common.feeder}/weighins", mass_g=50.0, sd_g=0.05, at=at)
    content_g = 50.0
    for i in range(1, 13):
        net_g = 0.2 + 0.001 * i
        before_g, after_g = round(content_g, 4), round(content_g - net_g, 4)
        at_ms = weighed_ms + i * DAY_MS // 5
        device.dose(at_ms=at_ms, target_g=0.2, steps=200, before_g=before_g, after_g=after_g, sd_g=0.006)
        content_g -= net_g
    device.wait_received()
    closing = common.post(f"/feeders/{common.feeder}/weighins", mass_g=round(content_g, 3), sd_g=0.05)
    start, end = days()
    path = f"/feeders/{common.feeder}/report"
    told = common.until(
        lambda: (
            (r := common.get(path, start=start, end=end))["account"] and r["account"]["entry"] >= closing["entry"] and r
        )
    )
    printed = run(config, common.feeder, start, end)
    assert printed.returncode == 0, printed.stderr
    assert printed.stderr == ""
    (balance,) = told["reconciliation"]
    for words in (
        f"{common.feeder}, {start} to {end} (UTC)",
        f"weigh-in {closing['entry']}",
        "within the limit",
        *(f"{balance[name]:.4f}" for name in ("opening_g", "closing_g", "by_scale_g", "by_cell_g", "limit_g")),
        *(part["source"] for part in balance["limit_parts"]),
        *(f"{dose['net_g']:.4f} │ 0.0060" for dose in told["doses"]),
        f"{told['totals']['dispensed_g']:.3f} ± {told['totals']['dispensed_sd_g']:.3f} g",
    ):
        assert words in printed.stdout, (words, printed.stdout)
    assert len(told["doses"]) == 12


def test_what_people_and_devices_wrote_is_printed_as_it_is(common: Household, config: Path) -> None:
    device = common.device()
    device.say_hello(calibration="[red]two masses[/red] :fish:")
    common.until(lambda: common.get(f"/feeders/{common.feeder}/report")["instrument"]["calibration"])
    assert "[red]two masses[/red] :fish:" in run(config, common.feeder, *days()).stdout


@pytest.mark.parametrize("feeder", ["nobody", "no/body", ""])
def test_a_feeder_that_is_unknown(config: Path, feeder: str) -> None:
    assert f"there is no feeder {feeder!r}" in refused(config, feeder, *days())


@pytest.mark.parametrize(
    ("start", "end", "words"),
    [
        ("yesterday", "2026-03-01", "start: expected a date"),
        ("2026-03-01", "2026-02-30", "end: input should be a valid date"),
        ("2026-03-02", "2026-03-01", "end: expected a date from 2026-03-02 on"),
        ("2025-01-01", "2026-03-01", "end: expected at most 400 days"),
    ],
)
def test_dates_that_make_no_period(common: Household, config: Path, start: str, end: str, words: str) -> None:
    assert words in refused(config, common.feeder, start, end)


def test_a_service_that_does_not_run(tmp_path: Path) -> None:
    config = tmp_path / "tareline.toml"
    config.write_text(f'[http]\nlisten = "127.0.0.1:{free_port()}"\n')
    assert "is it running?" in refused(config, "feeder", *days())


def test_something_else_that_answers_there(common: Household, config: Path) -> None:
    listen = f"127.0.0.1:{common.broker.port}"
    line = refused(config, common.feeder, *days(), TARELINE_HTTP__LISTEN=listen)
    assert listen in line


def test_settings_that_are_not_there(tmp_path: Path) -> None:
    assert "cannot be read" in refused(tmp_path / "none.toml", "feeder", *days())


@pytest.fixture
def guarded(broker: Broker, tmp_path: Path) -> Iterator[Service]:
    made = Service(tmp_path, broker.url, http={"listen": f"0.0.0.0:{free_port()}", "token": "a b c"})
    made.port = int(made.config.read_text().partition("0.0.0.0:")[2].partition('"')[0])
    made.start()
    yield made
    made.close()


def test_the_token_comes_from_the_settings_and_every_address_is_called_on_this_machine(
    broker: Broker, guarded: Service
) -> None:
    house = Household(broker, guarded, "a b c").furnish()
    printed = run(guarded.config, house.feeder, *days())
    house.close()
    assert printed.returncode == 0, printed.stderr
    assert f"{house.feeder}, " in printed.stdout
    assert "Bearer" in refused(guarded.config, house.feeder, *days(), TARELINE_HTTP__TOKEN="another")
