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
    help="Records how much small planted aquariums are fed, and pauses feeding when water values require it.",
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
def _main(version: Annotated[bool, typer.Option("--version", help="Print the version and exit.")] = False) -> None:
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
    """Print every dose of a feeder, and whether its weights agree. The service must be running."""
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


notify = typer.Typer(help="Messages to people.", no_args_is_help=True)
app.add_typer(notify, name="notify")


@notify.command("test")
def notify_test(
    config: Annotated[Path | None, typer.Option(help="Settings in TOML; default: tareline.toml here, if any.")] = None,
) -> None:
    """Send a test message to every address, and print whether each accepted it. The service must be running."""
    from rich.console import Console

    from tareline import terminal
    from tareline.settings import load

    try:
        http = load(config or Path("tareline.toml"), must_exist=config is not None).http
        with Console(stderr=True).status("waiting for the addresses"):
            told = terminal.try_addresses(http)
        if not told:
            raise FieldError(
                "notify", "nobody receives alerts: the service was started without addresses (urls, webhooks)"
            )
    except (FieldError, ValueError) as error:
        raise _fail(str(error)) from error
    for one in told:
        typer.echo(f"{one['target']}: {'accepted' if one['ok'] else one['detail']}")
    if not all(one["ok"] for one in told):
        raise _fail("not every address accepted the message")


@app.command()
def update(
    device: Annotated[str, typer.Argument(help="The device's name.")],
    config: Annotated[Path | None, typer.Option(help="Settings in TOML; default: tareline.toml here, if any.")] = None,
    wait: Annotated[
        bool,
        typer.Option(
            help="Whether to wait until the device has installed the update or returned to its earlier firmware."
        ),
    ] = True,
) -> None:
    """Offer a device the firmware of this package over the network. The service must be running."""
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
        typer.echo("The update continues without this command; the page Devices shows it.")
        return
    if state["state"] == "failed":
        raise _fail(f"{device} has not installed it: {state['detail']}")
    typer.echo(f"{device} runs the new firmware")


@app.command()
def demo(
    folder: Annotated[Path, typer.Option(help="Folder for the data of the demo; delete it to start again.")] = Path(
        "demo-data"
    ),
    port: Annotated[int | None, typer.Option(min=1, max=65535, help="HTTP port; default 8620, or a free one.")] = None,
    month: Annotated[
        bool,
        typer.Option("--month", help="Simulate one month at high speed, print all messages to the keeper, and exit."),
    ] = False,
) -> None:
    """Run a complete small installation with invented tanks until Ctrl-C is pressed."""
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
    """The kind of a device."""

    FEEDER = "feeder"
    PROBE = "probe"


class Runtime(StrEnum):
    """The interpreter that runs the firmware of a simulated device."""

    MICROPYTHON = "micropython"
    CPYTHON = "cpython"


@app.command()
def desk(
    kind: Annotated[Kind, typer.Argument(help="The kind of device.")],
    device: Annotated[str, typer.Option(help="The device's name.")],
    broker: Annotated[str, typer.Option(help="mqtt://host:port, or mqtts:// with --ca; user and password in it.")],
    flash: Annotated[Path, typer.Option(help="Folder that serves as the flash memory of the device.", file_okay=False)],
    runtime: Annotated[Runtime, typer.Option(help="The interpreter.")] = Runtime.MICROPYTHON,
    root: Annotated[str, typer.Option(help="Topic prefix.")] = "tareline",
    ca: Annotated[
        Path | None,
        typer.Option(help="Certificate of the authority that signed the broker's certificate, PEM.", dir_okay=False),
    ] = None,
    clock: Annotated[bool, typer.Option(help="Whether the board has a clock of its own.")] = True,
    hopper_g: Annotated[float, typer.Option(help="Grams of food in the hopper when the folder is new.", min=0)] = 60.0,
    gain_g_per_step: Annotated[
        float, typer.Option(help="Grams per motor step when the folder is new.", min=1e-6, max=1)
    ] = 0.001,
    sample_s: Annotated[int, typer.Option(help="Seconds between a probe's samples.", min=5, max=3600)] = 60,
    secret_file: Annotated[
        Path | None,
        typer.Option(help="The service's updates.secret_file: the device then accepts updates. MicroPython only."),
    ] = None,
) -> None:
    """Run the real firmware on simulated hardware, without a board, until it is stopped."""
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
    kind: Annotated[Kind, typer.Argument(help="The kind of device that the board will be.")],
    device: Annotated[str, typer.Option(help="The device's name, as the service knows it.")],
    wifi: Annotated[str | None, typer.Option(help="Name of the Wi-Fi network; asked for when needed.")] = None,
    wifi_password: Annotated[
        str | None, typer.Option(envvar="TARELINE_WIFI_PASSWORD", help="Asked for when needed.")
    ] = None,
    config: Annotated[Path | None, typer.Option(help="The service's settings; default: tareline.toml here.")] = None,
    broker: Annotated[
        str | None, typer.Option(help="The broker as the board reaches it; default: the service's.")
    ] = None,
    ca: Annotated[
        Path | None,
        typer.Option(
            help="Certificate of the authority that signed the broker's certificate, PEM.", exists=True, dir_okay=False
        ),
    ] = None,
    board: Annotated[str | None, typer.Option(help="Kind of board; default: detected from the board.")] = None,
    pin: Annotated[
        list[str] | None, typer.Option(help="NAME=NUMBER where the wiring differs; may be repeated.")
    ] = None,
    gain_g_per_step: Annotated[
        float | None,
        typer.Option(
            help="Grams per motor step of a feeder, from its calibration; default for a new board: 0.001.",
            min=1e-6,
            max=1,
        ),
    ] = None,
    ceiling_g_per_day: Annotated[
        float | None,
        typer.Option(
            help="The most grams that a feeder gives in a day, whatever its plan says; default for a new board: 5."
        ),
    ] = None,
    reference_ohm: Annotated[
        int | None,
        typer.Option(
            help="Resistance of a probe's reference resistors; default for a new board: 1000.", min=10, max=1_000_000
        ),
    ] = None,
    port: Annotated[str | None, typer.Option(help="Serial port of the board; needed where there are several.")] = None,
    erase: Annotated[
        bool, typer.Option("--erase", help="Erase the board first: its calibration and its doses are lost.")
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Erase without asking.")] = False,
    prepare: Annotated[bool, typer.Option("--prepare", help="Only prepare a folder with the board's files.")] = False,
    out: Annotated[
        Path | None, typer.Option(help="The folder to prepare; default: board-DEVICE.", file_okay=False)
    ] = None,
) -> None:
    """Write the firmware to a board over USB, test its network and broker, and wait for its first message."""
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
    typer.echo("It contains the passwords of the network and the broker: do not share it.")
    typer.echo("With the board on USB and MicroPython on it (firmware/README.md says how), type:")
    typer.echo(f"  mpremote connect auto fs cp -r {out}/. :/ + reset")
    typer.echo("  mpremote connect auto repl          # shows what the board prints; Ctrl-] exits")


@app.command("board-settings")
def board_settings(
    port: Annotated[str | None, typer.Option(help="Serial port of the board; needed where there are several.")] = None,
    config: Annotated[Path | None, typer.Option(help="The service's settings; default: tareline.toml here.")] = None,
    wifi: Annotated[str | None, typer.Option(help="Name of the Wi-Fi network.")] = None,
    wifi_password: Annotated[
        str | None, typer.Option(envvar="TARELINE_WIFI_PASSWORD", help="Its password; empty for none.")
    ] = None,
    broker: Annotated[
        str | None, typer.Option(help="The broker as the board reaches it, with user and password.")
    ] = None,
    ca: Annotated[
        Path | None,
        typer.Option(
            help="Certificate of the authority that signed the broker's certificate, PEM.", exists=True, dir_okay=False
        ),
    ] = None,
    ceiling_g_per_day: Annotated[
        float | None, typer.Option(help="The most grams that a feeder gives in a day.")
    ] = None,
) -> None:
    """Change the network, broker or daily limit of a board over USB, not its firmware. Asks if no option is given."""
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
    kind: Annotated[Kind | None, typer.Option(help="Default: the kind that the device announces.")] = None,
    ca: Annotated[
        Path | None,
        typer.Option(help="Certificate of the authority that signed the broker's certificate, PEM.", dir_okay=False),
    ] = None,
    dose_g: Annotated[float, typer.Option(help="Grams of each test dose.", min=0.01, max=1)] = 0.05,
    fed_today_g: Annotated[
        float,
        typer.Option(help="Grams that the feeder has already given today; its cap is raised by them.", min=0, max=1000),
    ] = 0.0,
    patience_s: Annotated[float, typer.Option(help="Seconds to wait for an answer.", min=1, max=600)] = 30.0,
    samples_s: Annotated[float, typer.Option(help="Seconds to wait for a probe's samples.", min=1, max=7200)] = 150.0,
    take_over: Annotated[bool, typer.Option("--take-over", help="Test a device that a service already uses.")] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask before the motor moves.")] = False,
    show_rules: Annotated[bool, typer.Option("--list", help="Only list the rules, test nothing.")] = False,
) -> None:
    """Test any feeder or probe against the contract, and name each rule that it breaks.

    Only a dish may be under the feeder, because it gives doses. Exits 0 if every rule that could be tested was kept.
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
