"""Makes answers from templates: every page of the service is made here, also those that tell of a problem."""

from functools import lru_cache
from typing import Any

from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from tareline.core.alerts.concerns import upper_first
from tareline.core.safety.lines import NAMES, WORDS
from tareline.resources import dashboards_dir
from tareline.web.svg import geometry
from tareline.web.text.words import FILTERS, differing, mend_text


@lru_cache(maxsize=1)
def _templates() -> Environment:
    env = Environment(
        loader=FileSystemLoader(dashboards_dir() / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.filters |= FILTERS
    env.tests |= {
        "unknown": geometry.is_unknown,
        "differing": differing,
        "to_come": lambda day: "future" in day.flags,
    }
    env.globals |= {
        "names": NAMES,
        "does": WORDS,
        "week_chart": geometry.week_chart,
        "mend_text": mend_text,
        "day_bar": geometry.day_bar,
        "sparkline": geometry.sparkline,
    }
    return env


def page(name: str, status: int = 200, **context: Any) -> HTMLResponse:
    """The page that a template makes of `context`."""
    html = _templates().get_template(name).render(**context)
    # A page that a browser kept would show an old hold as if it were the present one.
    return HTMLResponse(html, status, {"Cache-Control": "no-store"})


def problem_page(status: int, title: str, message: str) -> HTMLResponse:
    """The page that tells a person what went wrong. message: a sentence, with or without its full stop."""
    sentence = upper_first(message) + ("" if message.endswith((".", "?", "!")) else ".")
    return page("problem.html", status, title=title, message=sentence, live_tank=None)
