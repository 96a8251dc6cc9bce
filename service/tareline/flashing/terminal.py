"""Whoever sits before a terminal while a board is written."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import typer
from rich.console import Console
from rich.progress import BarColumn, DownloadColumn, Progress, TextColumn


class Terminal:
    """Questions and progress. yes: what is confirmed without asking."""

    def __init__(self, yes: bool) -> None:
        self._yes = yes
        self._console = Console(markup=False, highlight=False, emoji=False, stderr=True)

    def say(self, text: str) -> None:
        typer.echo(text)

    def ask(self, question: str, default: str | None, hidden: bool) -> str:
        """default: what Enter means; a secret one is not shown."""
        shown = bool(default) and not hidden
        answer: str = typer.prompt(question, default=default, hide_input=hidden, show_default=shown)
        return answer

    def confirm(self, question: str) -> bool:
        return self._yes or typer.confirm(question)

    @contextmanager
    def progress(self, text: str, total: int) -> Iterator[Callable[[int], None]]:
        """A bar of bytes; the function that it gives is told of more of them."""
        columns = (TextColumn("{task.description}"), BarColumn(), DownloadColumn(binary_units=True))
        with Progress(*columns, console=self._console, transient=True, disable=not self._console.is_terminal) as bar:
            task = bar.add_task(text, total=total)
            yield lambda count: bar.advance(task, count)


def show_hello(hello: dict[str, Any]) -> None:
    """Print what the board says of itself."""
    words = [f"{name.replace('_', ' ')} {hello[name]}" for name in ("board", "firmware", "clock") if name in hello]
    typer.echo(f"The board says hello: {', '.join(words)}.")
