"""The report's document -> PDF, tagged and with its fonts in it; the same document, the same bytes.

Nothing is fetched: the only addresses that are answered are the case's own pictures, which come
as bytes.  The library that lays the pages out takes a second to load, so that it is loaded only
when a report is asked for.
"""

import re
from collections.abc import Callable
from typing import Any, Final

from tracker.errors import InputError, InternalError

SCHEME: Final = "case-picture"
"""Scheme of the addresses by which a document names a picture of its case."""

MISSING: Final = "install with the extra: pip install -e '.[report]'"

_TEXT: Final = re.compile(r"<text .*?</text>")
_WIDTHS: Final = re.compile(r'(stroke-width|stroke-dasharray)="([\d. ]+)"')
_WORD: Final = re.compile(
    r'<text ([^>]*?)stroke="#000000" stroke-width="(\S+)" paint-order="stroke"'
)


def address(number: int, form: str) -> str:
    """Return the address of a picture within a document."""
    return f"{SCHEME}:{number}/{form}"


def render(document: str, picture: Callable[[int, str], bytes], identity: str) -> bytes:
    """Lay a document out as PDF.

    Parameters
    ----------
    document : str
        HTML of :func:`tracker.report_page.document`, its pictures named by :func:`address`.
    picture : callable
        Gives a picture's PNG by number and form.
    identity : str
        What the file's identifier is made from: the same for the same case.

    Returns
    -------
    bytes
        PDF, tagged as PDF/UA-1.

    Raises
    ------
    InputError
        The library that lays pages out is not installed.
    InternalError
        The document names something that is no picture of the case.
    """
    try:
        import weasyprint
        from weasyprint.logger import LOGGER
        from weasyprint.urls import FatalURLFetchingError, URLFetcher, URLFetcherResponse
    except (ImportError, OSError):
        # OSError: the library is there and the system's text layout (Pango) is not.
        raise InputError("A PDF needs weasyprint and Pango.", hint=MISSING) from None

    class OnlyThisCase(URLFetcher):  # type: ignore[misc]
        """Answers for the case's pictures and for nothing else."""

        def fetch(self, url: str, headers: object = None) -> Any:  # noqa: ARG002  as it is called
            found = re.fullmatch(rf"{SCHEME}:(\d+)/([a-z-]+)", url)
            if found is None:
                raise FatalURLFetchingError(f"{url[:60]} is no picture of this case")
            data = picture(int(found[1]), found[2])
            return URLFetcherResponse(url, data, {"Content-Type": "image/png"})

    LOGGER.setLevel("ERROR")
    try:
        pages = weasyprint.HTML(
            string=for_print(document), base_url=None, url_fetcher=OnlyThisCase()
        )
        data = pages.write_pdf(
            pdf_variant="pdf/ua-1", pdf_identifier=identity.encode(), optimize_images=False
        )
    except FatalURLFetchingError as error:
        raise InternalError(str(error)) from None
    return bytes(data)


def for_print(document: str) -> str:
    """Write each word over a picture twice, its casing first: the layout knows no paint order."""
    parts: list[str] = []
    at = 0
    for found in _WORD.finditer(document):
        end = document.index("</text>", found.end()) + len("</text>")
        word = document[found.start() : end]
        casing = word.replace('fill="#FFFFFF"', 'fill="none"', 1)
        parts += [document[at : found.start()], casing, _WORD.sub(r"<text \1", word)]
        at = end
    return "".join([*parts, document[at:]])


def drawn_for_print(svg: str, wider: float = 1.0, *, word_size: float, named: bool = True) -> str:
    """Make a drawing ready for a printed page.

    On a screen a line is so many pixels wide whatever the drawing's scale, and words take their
    size from the page; the layout of a page knows only the drawing's own units.

    Parameters
    ----------
    svg : str
    wider : float
        By which lines grow.
    word_size : float
        Height of the words, in the drawing's units.
    named : bool
        Keep the words.

    Returns
    -------
    str
    """

    def grown(found: re.Match[str]) -> str:
        numbers = (f"{float(one) * wider:.2f}" for one in found[2].split())
        return f'{found[1]}="{" ".join(numbers)}"'

    if not named:
        svg = _TEXT.sub("", svg)
    svg = _WIDTHS.sub(grown, svg).replace(' font-size="12"', f' font-size="{0.85 * word_size:g}"')
    return svg.replace("<svg ", f'<svg font-size="{word_size:g}" ', 1)
