"""The command line: `tareline serve`, `tareline demo`."""

import logging
import sys
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
def demo(
    folder: Annotated[Path, typer.Option(help="Where the demo keeps its data; remove it to begin anew.")] = Path(
        "demo-data"
    ),
    port: Annotated[int | None, typer.Option(min=1, max=65535, help="HTTP port; default 8620, or a free one.")] = None,
) -> None:
    """Run a complete small installation with invented tanks, until Ctrl-C."""
    from tareline.simulate.demo import run
    from tareline.store.engine import StoreError

    start_log()
    logging.getLogger().setLevel(logging.WARNING)
    try:
        code = run(folder, port)
    except (OSError, RuntimeError, StoreError) as error:
        raise _fail(str(error)) from error
    raise typer.Exit(code)


def main() -> None:
    """Entry point."""
    app()
