"""The command line: `tareline serve`, `reconcile`, `notify test`, `update`, `demo`, `desk`, `flash`, `board-settings`,
`conform`."""

import logging
import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from tareline import __version__
from tareline.errors import FieldError

app = typer.Typer(
    name="tareline",
    help="Keeps the books of what small planted aquariums are fed, and pauses feeding when the water says so.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)


def _fail(message: str) -> typer.Exit:
    typer.echo(f"tareline: {message}", err=True)
    return typer.Exit(2)


def start_log() -> None:
    """Log lines to standard error, one each."""
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(name)s: %(message)s", stream=sys.stderr)
    logging.getLogger("alembic").setLevel(logging.WARNING)
    logging.getLogger("uvicorn.error").setLevel(logging.WARNING)


@app.callback(invoke_without_command=True)
def _main(version: Annotated[bool, typer.Option("--version", help="Print the version and leave.")] = False) -> None:
    if version:
        typer.echo(__version__)
        raise typer.Exit


@app.command()
def serve(
    config: Annotated[Path | None, typer.Option(help="Settings in TOML; default: tareline.toml here, if any.")] = None,
) -> None:
    """Run the service until it is stopped."""
    from tareline.clock import SystemClock
    from tareline.settings import load
    from tareline.store.engine import StoreError
    from tareline.web.server import serve as run

    start_log()
    try:
        settings = load(config or Path("tareline.toml"), must_exist=config is not None)
        code = run(settings, SystemClock(), lambda: typer.echo(f"serving http://{settings.http.listen}/", err=True))
    except (FieldError, StoreError, ValueError) as error:
        raise _fail(str(error)) from error
    raise typer.Exit(code)


@app.command()
def reconcile(
    feeder: Annotated[str, typer.Option(help="The feeder's name.")],
    start: Annotated[str, typer.Option(help="First local day, such as 2026-03-01.")],
    end: Annotated[str, typer.Option(help="Last local day.")],
    config: Annotated[Path | None, typer.Option(help="Settings in TOML; default: tareline.toml here, if any.")] = None,
) -> None:
    """Print what a feeder gave, dose by dose, and whether its weights add up; the service must be running."""
    from rich.console import Console

    from tareline import terminal
    from tareline.settings import load

    try:
        http = load(config or Path("tareline.toml"), must_exist=config is not None).http
        with Console(stderr=True).status("waiting for the service"):
            report = terminal.fetch(http, feeder, start, end)
    except (FieldError, ValueError) as error:
        raise _fail(str(error)) from error
    terminal.show(report, terminal.make_console())


notify = typer.Typer(help="The people who are told.", no_args_is_help=True)
app.add_typer(notify, name="notify")


@notify.command("test")
def notify_test(
    config: Annotated[Path | None, typer.Option(help="Settings in TOML; default: tareline.toml here, if any.")] = None,
) -> None:
    """Send a test message to every address, and print how each took it; the service must be running."""
    from rich.console import Console

    from tareline import terminal
    from tareline.settings import load

    try:
        http = load(config or Path("tareline.toml"), must_exist=config is not None).http
        with Console(stderr=True).status("waiting for the addresses"):
            told = terminal.try_addresses(http)
        if not told:
            raise FieldError("notify", "nobody is told: the service was started without addresses (urls, webhooks)")
    except (FieldError, ValueError) as error:
        raise _fail(str(error)) from error
    for one in told:
        typer.echo(f"{one['target']}: {'told' if one['ok'] else one['detail']}")
    if not all(one["ok"] for one in told):
        raise _fail("not every address could be told")


@app.command()
def update(
    device: Annotated[str, typer.Argument(help="The device's name.")],
    config: Annotated[Path | None, typer.Option(help="Settings in TOML; default: tareline.toml here, if any.")] = None,
    wait: Annotated[bool, typer.Option(help="Whether to stay until the device has taken it or gone back.")] = True,
) -> None:
    """Offer a device this package's firmware over the air; the service must be running."""
    from rich.console import Console

    from tareline import terminal
    from tareline.settings import load

    try:
        http = load(config or Path("tareline.toml"), must_exist=config is not None).http
        console = Console(stderr=True)
        with console.status("building the firmware"):
            state = terminal.offer_update(http, device)
        typer.echo(f"{device} is offered {state['firmware']}")
        if not wait:
            return
        state = terminal.follow_update(http, device, console)
    except (FieldError, ValueError) as error:
        raise _fail(str(error)) from error
    except KeyboardInterrupt:
        typer.echo("The update goes on without this command; the page Devices shows it.")
        return
    if state["state"] == "failed":
        raise _fail(f"{device} has not taken it: {state['detail']}")
    typer.echo(f"{device} runs it")


@app.command()
def demo(
    folder: Annotated[Path, typer.Option(help="Where the demo keeps its data; remove it to begin anew.")] = Path(
        "demo-data"
    ),
    port: Annotated[int | None, typer.Option(min=1, max=65535, help="HTTP port; default 8620, or a free one.")] = None,
    month: Annotated[
        bool, typer.Option("--month", help="Play a keeper's month in fast motion, print what was told, and leave.")
    ] = False,
) -> None:
    """Run a complete small installation with invented tanks, until Ctrl-C."""
    from tareline.simulate.demo import run, tell_month
    from tareline.store.engine import StoreError

    start_log()
    logging.getLogger().setLevel(logging.WARNING)
    try:
        if month:
            tell_month()
            return
        code = run(folder, port)
    except (OSError, RuntimeError, StoreError) as error:
        raise _fail(str(error)) from error
    raise typer.Exit(code)


class Kind(StrEnum):
    """What a device is."""

    FEEDER = "feeder"
    PROBE = "probe"


class Runtime(StrEnum):
    """What runs a device's firmware on a desk."""

    MICROPYTHON = "micropython"
    CPYTHON = "cpython"


@app.command()
def desk(
    kind: Annotated[Kind, typer.Argument(help="What the device is.")],
    device: Annotated[str, typer.Option(help="The device's name.")],
    broker: Annotated[str, typer.Option(help="mqtt://host:port, or mqtts:// with --ca; user and password in it.")],
    flash: Annotated[Path, typer.Option(help="Folder that is the device's flash.", file_okay=False)],
    runtime: Annotated[Runtime, typer.Option(help="The interpreter.")] = Runtime.MICROPYTHON,
    root: Annotated[str, typer.Option(help="Topic prefix.")] = "tareline",
    ca: Annotated[Path | None, typer.Option(help="Certificate of the broker's authority, PEM.", dir_okay=False)] = None,
    clock: Annotated[bool, typer.Option(help="Whether the board has a clock of its own.")] = True,
    hopper_g: Annotated[float, typer.Option(help="Food in the hopper of a new folder.", min=0)] = 60.0,
    gain_g_per_step: Annotated[float, typer.Option(help="Announced gain of a new folder.", min=1e-6, max=1)] = 0.001,
    sample_s: Annotated[int, typer.Option(help="Seconds between a probe's samples.", min=5, max=3600)] = 60,
    secret_file: Annotated[
        Path | None,
        typer.Option(help="The service's updates.secret_file: the device then takes updates. MicroPython only."),
    ] = None,
) -> None:
    """Run the real firmware without a board, on simulated hardware, until it is ended."""
    from tareline.boards.files import device_settings
    from tareline.boards.keys import device_key
    from tareline.simulate import desk as simulated

    try:
        settings = device_settings(kind.value, device, broker, root, str(ca.absolute()) if ca else None)
        settings |= {"clock": clock, "sample_s": sample_s} | {"hopper_g": hopper_g, "gain_g_per_step": gain_g_per_step}
        if secret_file is not None:
            if runtime is not Runtime.MICROPYTHON:
                raise FieldError("runtime", "expected micropython, since --secret-file is given")
            settings["key"] = device_key(secret_file, device)
        if runtime is Runtime.MICROPYTHON:
            simulated.become(flash, settings)
        else:
            simulated.run_until_signal(flash, settings)
    except (OSError, RuntimeError, ValueError) as error:
        raise _fail(str(error)) from error


@app.command()
def flash(
    kind: Annotated[Kind, typer.Argument(help="What the board will be.")],
    device: Annotated[str, typer.Option(help="The device's name, as the service knows it.")],
    wifi: Annotated[str | None, typer.Option(help="Name of the network; asked for when needed.")] = None,
    wifi_password: Annotated[
        str | None, typer.Option(envvar="TARELINE_WIFI_PASSWORD", help="Asked for when needed.")
    ] = None,
    config: Annotated[Path | None, typer.Option(help="The service's settings; default: tareline.toml here.")] = None,
    broker: Annotated[
        str | None, typer.Option(help="The broker as the board reaches it; default: the service's.")
    ] = None,
    ca: Annotated[
        Path | None, typer.Option(help="Certificate of the broker's authority, PEM.", exists=True, dir_okay=False)
    ] = None,
    board: Annotated[str | None, typer.Option(help="Kind of board; default: what the board says of itself.")] = None,
    pin: Annotated[
        list[str] | None, typer.Option(help="NAME=NUMBER where the wiring differs; may be repeated.")
    ] = None,
    gain_g_per_step: Annotated[
        float | None, typer.Option(help="A feeder's, by calibration; at first 0.001.", min=1e-6, max=1)
    ] = None,
    ceiling_g_per_day: Annotated[
        float | None, typer.Option(help="The most a feeder gives in a day, above every plan; at first 5.")
    ] = None,
    reference_ohm: Annotated[
        int | None, typer.Option(help="A probe's resistors; at first 1000.", min=10, max=1_000_000)
    ] = None,
    port: Annotated[str | None, typer.Option(help="Serial port of the board; needed where there are several.")] = None,
    erase: Annotated[
        bool, typer.Option("--erase", help="Empty the board first: calibration and doses are lost.")
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Erase without asking.")] = False,
    prepare: Annotated[bool, typer.Option("--prepare", help="Only prepare a folder with the board's files.")] = False,
    out: Annotated[
        Path | None, typer.Option(help="The folder to prepare; default: board-DEVICE.", file_okay=False)
    ] = None,
) -> None:
    """Write a board over USB, try its network and broker from there, and wait for its hello."""
    from tareline.flashing import answers, session, terminal
    from tareline.settings import load

    given = answers.Given(
        wifi, wifi_password, broker, ca, ceiling_g_per_day, gain_g_per_step, reference_ohm, tuple(pin or ())
    )
    talk = terminal.Terminal(yes)
    try:
        service = load(config or Path("tareline.toml"), must_exist=config is not None)
        if not prepare:
            order = session.Order(kind.value, device, given, port, board, erase)
            terminal.show_hello(session.flash(order, service, talk))
            return
        out = out or Path(f"board-{device}")
        found = session.folder(kind.value, device, board, given, service, out, talk)
    except (OSError, RuntimeError, ValueError) as error:
        raise _fail(str(error)) from error
    loaded = "" if found.loaded is None else f"; {len(found.loaded)} modules loaded in the firmware's interpreter"
    typer.echo(f"{out}: {found.files} files, {found.size_bytes / 1024:.0f} KiB, checked{loaded}")
    typer.echo("It holds the passwords of the network and the broker: keep it to yourself.")
    typer.echo("With the board on USB and MicroPython on it (firmware/README.md says how), type:")
    typer.echo(f"  mpremote connect auto fs cp -r {out}/. :/ + reset")
    typer.echo("  mpremote connect auto repl          # shows what it says; Ctrl-] leaves")


@app.command("board-settings")
def board_settings(
    port: Annotated[str | None, typer.Option(help="Serial port of the board; needed where there are several.")] = None,
    config: Annotated[Path | None, typer.Option(help="The service's settings; default: tareline.toml here.")] = None,
    wifi: Annotated[str | None, typer.Option(help="Name of the network.")] = None,
    wifi_password: Annotated[
        str | None, typer.Option(envvar="TARELINE_WIFI_PASSWORD", help="Its password; empty for none.")
    ] = None,
    broker: Annotated[
        str | None, typer.Option(help="The broker as the board reaches it, with user and password.")
    ] = None,
    ca: Annotated[
        Path | None, typer.Option(help="Certificate of the broker's authority, PEM.", exists=True, dir_okay=False)
    ] = None,
    ceiling_g_per_day: Annotated[float | None, typer.Option(help="The most a feeder gives in a day.")] = None,
) -> None:
    """Change a board's network, broker or daily limit over USB, without touching its firmware; without options, ask."""
    from tareline.flashing import answers, session, terminal
    from tareline.settings import load

    given = answers.Given(wifi, wifi_password, broker, ca, ceiling_g_per_day)
    try:
        service = load(config or Path("tareline.toml"), must_exist=config is not None).broker
        talk = terminal.Terminal(False)
        terminal.show_hello(session.change(None if given == answers.Given() else given, port, service, talk))
    except (OSError, RuntimeError, ValueError) as error:
        raise _fail(str(error)) from error


@app.command()
def conform(
    device: Annotated[str, typer.Option(help="The device's name.")] = "",
    broker: Annotated[str, typer.Option(help="mqtt://host:port, or mqtts:// with --ca; user and password in it.")] = "",
    root: Annotated[str, typer.Option(help="Topic prefix.")] = "tareline",
    kind: Annotated[Kind | None, typer.Option(help="Default: what the device says it is.")] = None,
    ca: Annotated[Path | None, typer.Option(help="Certificate of the broker's authority, PEM.", dir_okay=False)] = None,
    dose_g: Annotated[float, typer.Option(help="Size of a dose that is tried.", min=0.01, max=1)] = 0.05,
    fed_today_g: Annotated[
        float, typer.Option(help="What the feeder gave today before; its cap is raised by that.", min=0, max=1000)
    ] = 0.0,
    patience_s: Annotated[float, typer.Option(help="How long an answer may take.", min=1, max=600)] = 30.0,
    samples_s: Annotated[float, typer.Option(help="How long a probe's samples may take.", min=1, max=7200)] = 150.0,
    take_over: Annotated[bool, typer.Option("--take-over", help="Try a device that a service has fed by.")] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask before something moves.")] = False,
    show_rules: Annotated[bool, typer.Option("--list", help="Show the rules, try nothing.")] = False,
) -> None:
    """Try a feeder or probe of anybody's making against the contract, and name each rule that it breaks.

    Nothing but a dish may be under a feeder: it is made to dose. Exits 0 when every rule that could be tried was kept.
    """
    from tareline.conform import report

    if show_rules:
        report.list_rules(kind.value if kind else None)
        return
    try:
        if not device or not broker:
            raise FieldError("broker" if device else "device", "expected, as in --device ID --broker mqtt://HOST:PORT")
        options = {"dose_g": dose_g, "fed_today_g": fed_today_g, "patience_s": patience_s, "samples_s": samples_s}
        found = kind.value if kind else None
        code = report.run_aloud(broker, root, device, found, ca, take_over=take_over, sure=yes, **options)
    except (FieldError, RuntimeError, ValueError) as error:
        raise _fail(str(error)) from error
    raise typer.Exit(code)


def main() -> None:
    """Entry point."""
    app()
