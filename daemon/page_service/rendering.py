"""Fill in the page's templates; every text is escaped."""

from __future__ import annotations

from importlib.resources import files
from typing import TYPE_CHECKING, Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined

if TYPE_CHECKING:
    from daemon.page.words import Words

WORKER: Final = "/worker.js"
"""Keeps the last view of a device; it is served over TLS alone."""

STATIC: Final = {
    "/style.css": "text/css",
    "/page.js": "text/javascript",
    "/icon.svg": "image/svg+xml",
    WORKER: "text/javascript",
}
"""Files that every browser may have, and their media types."""


class Templates:
    """The page's templates, read once."""

    def __init__(self) -> None:
        self._environment = Environment(
            loader=PackageLoader("daemon.page_service"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )

    def fill(self, template: str, words: Words, **values: Any) -> str:  # noqa: ANN401 - whatever a template shows
        """Fill in a template.

        Parameters
        ----------
        template
            The name of its file.
        words
            The reader's; in the template `say` writes a sentence.
        **values
            What the template shows.

        Returns
        -------
        str
            HTML.
        """
        return self._environment.get_template(template).render(words=words, say=words.say, **values)


def static_file(path: str) -> str:
    """Return the text of a file in `STATIC`."""
    return (files("daemon.page_service") / "static" / path[1:]).read_text("utf-8")
