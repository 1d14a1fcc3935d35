"""Pages of HTML that need nothing else: no script, no network, no font.

Every text goes through the templates' escaping; only the pictures, which are drawn here, do not.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping


def page_of(template: str, filters: Mapping[str, Callable[..., Any]], **values: Any) -> str:  # noqa: ANN401 - whatever a template shows
    """Fill a template in.

    Parameters
    ----------
    template : str
        Its name among `templates/`.
    filters : mapping
        What the template writes values with, by name.
    **values
        What it shows.

    Returns
    -------
    str
        An HTML document, to be written as UTF-8.
    """
    environment = Environment(
        loader=PackageLoader("daemon"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(filters)
    environment.globals["svg"] = _svg
    return environment.get_template(template).render(**values)


def _svg(drawing: str) -> Markup:
    """Let a picture through as it is: what draws it has escaped its words."""
    return Markup(drawing)  # noqa: S704 - see above
