"""The shell of all pages: one HTML text that needs no network, in looks that all pages share."""

from __future__ import annotations

import base64
import functools
import hashlib
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from blursplit.report.palette import css_variables

if TYPE_CHECKING:
    import jinja2

LOOK_LABELS = (
    ("auto", "As the system"),
    ("light", "Light"),
    ("dark", "Dark"),
    ("night", "Night, dim red"),
)

__all__ = ["package_text", "page_shell", "render_template"]


@functools.cache
def package_text(name: str) -> str:
    """Return the text of a file that ships with the report package."""
    return files("blursplit.report").joinpath(name).read_text(encoding="utf-8")


@functools.cache
def _environment() -> jinja2.Environment:
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(lambda name: package_text(f"templates/{name}")),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["dictlist"] = lambda row: list(row.values())
    return environment


def render_template(name: str, **values: Any) -> str:
    """Fill one of the package's templates; every text is escaped unless it is `Markup`."""
    return _environment().get_template(name).render(**values)


def _style() -> str:
    looks = [
        f":root {{ {css_variables('light')} }}",
        f"@media screen and (prefers-color-scheme: dark) {{ :root {{ {css_variables('dark')} }} }}",
    ]
    # Later rules of equal weight win, so the reader's choice stands above the system's.
    looks += [
        f"@media screen {{ :root:has(#look-{look}:checked) {{ {css_variables(look)} }} }}"
        for look in ("light", "dark", "night")
    ]
    return "\n".join([*looks, package_text("style.css")])


def _policy(scripts: list[str]) -> str:
    """Return a content security policy under which only the page's own scripts run.

    Whatever a header smuggled into the page could neither run nor fetch anything.
    """
    hashes = [
        f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"
        for text in scripts
    ]
    script = " ".join(hashes) if hashes else "'none'"
    return f"default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src {script}"


def page_shell(title: str, body_html: str, scripts: bool = False) -> str:
    """Return a whole HTML page around a body, in the looks that all pages share.

    Parameters
    ----------
    title : str
        Title of the page as plain text; it is escaped here.
    body_html : str
        Ready HTML; whoever made it has escaped what came from files (for instance with
        `render_template` or `html.escape`).
    scripts : bool
        Whether the charting script and the script that makes charts of the page's data go in.

    Returns
    -------
    str
        One self-contained page; the looks (system, light, dark, dim red for the night) are
        chosen by radio buttons and CSS alone.
    """
    from importlib.metadata import version

    from markupsafe import Markup

    sources = [package_text("vendor/uPlot.iife.min.js"), package_text("script.js")]
    chosen = [text.strip() for text in sources] if scripts else []
    style = _style()
    if scripts:
        style = package_text("vendor/uPlot.min.css") + "\n" + style
    return render_template(
        "shell.html",
        title=title,
        version=version("blursplit"),
        policy=_policy(chosen),
        style=Markup(style),  # noqa: S704 - the package's own files
        looks=LOOK_LABELS,
        body=Markup(body_html),  # noqa: S704 - ready HTML by contract
        scripts=[Markup(text) for text in chosen],  # noqa: S704 - the package's own files
    )
