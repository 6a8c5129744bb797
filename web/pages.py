"""A page's dataclass and its template -> an answer; templates see nothing but the dataclass."""

from dataclasses import fields
from pathlib import Path
from typing import Any, ClassVar, Final, Protocol
from urllib.parse import quote

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.responses import HTMLResponse

from web.formtoken import with_tokens


class Context(Protocol):
    """A frozen dataclass with everything that one template may see."""

    __dataclass_fields__: ClassVar[dict[str, Any]]


ENVIRONMENT: Final = Environment(
    loader=FileSystemLoader(Path(__file__).parent / "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
ENVIRONMENT.filters["lower_first"] = lambda text: text[:1].lower() + text[1:]
ENVIRONMENT.filters["address"] = lambda text: quote(str(text), safe="")


def render(template: str, context: Context, *, status: int = 200) -> HTMLResponse:
    """Fill a template from its context.

    Parameters
    ----------
    template : str
        Name of the file in ``templates/``.
    context : dataclass instance
    status : int
        HTTP status of the answer.

    Returns
    -------
    HTMLResponse
    """
    values = {part.name: getattr(context, part.name) for part in fields(context)}
    html = ENVIRONMENT.get_template(template).render(values)
    return HTMLResponse(with_tokens(html), status)
