"""Pages from templates: every text is escaped, and a name that a template uses and is not given is an error."""

from collections.abc import Sequence
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template


def environment(folder: Path, extensions: Sequence[str] = ()) -> Environment:
    """The templates of a folder."""
    return Environment(
        loader=FileSystemLoader(folder),
        extensions=extensions,
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def template(name: str) -> Template:
    """A template that stands beside this file and needs nothing of its own."""
    return environment(Path(__file__).parent).get_template(name)
