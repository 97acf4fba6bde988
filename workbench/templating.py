"""How does a template file become a page?

Templates stand in the folder `templates` of the room that shows them, and what all pages share in that of the package.
Every value is escaped, a value that is not given is an error, and a per cent sign never starts a line.
"""

from functools import lru_cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["packaged_text", "rendered"]


def rendered(package: str, template: str, **values: Any) -> str:
    """Return a template of a package filled with values."""
    return _environment(package).get_template(template).render(**values)


def packaged_text(package: str, name: str) -> str:
    """Return a file of a package's templates as it stands: a style sheet, a script."""
    from importlib.resources import files

    return files(package).joinpath("templates", name).read_text(encoding="utf-8")


@lru_cache(maxsize=8)
def _environment(package: str) -> "Environment":
    from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=ChoiceLoader([PackageLoader(package), PackageLoader("workbench")]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_bound,
    )


def _bound(value: Any) -> Any:
    """A text with its per cent signs bound to their numbers; what is markup already stays."""
    return value.replace(" %", "\u00a0%") if isinstance(value, str) and not hasattr(value, "__html__") else value
