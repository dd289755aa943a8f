"""Pages of studies: their templates, which stand beside this file."""

from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template


def template(name: str) -> Template:
    """A template by the name of its file; a name that it uses and is not given is an error."""
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(name)
