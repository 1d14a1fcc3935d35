"""Fill in pages of HTML that need no script, no font and no network.

Templates escape every text. Only pictures are inserted as they are, because Lullwatt drew them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping


def page_of(template: str, filters: Mapping[str, Callable[..., Any]], **values: Any) -> str:  # noqa: ANN401 - whatever a template shows
    """Fill in a template.

    Parameters
    ----------
    template : str
        Name of its file in `templates/`.
    filters : mapping
        Functions that write values, by their names in the template.
    **values
        Values that the template shows.

    Returns
    -------
    str
        An HTML document; write it as UTF-8.
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
    """Insert a picture as it is: its words were escaped when it was drawn."""
    return Markup(drawing)  # noqa: S704 - see above
