"""The forms' token: put into every form of a page, looked for before a form is read.

No other site's page can read it, so what carries it was sent by a page of these.  It is the first
field of a form, so that it is seen before a large file has come, and it is taken out again: no
form has to know of it.  Scripts may send it as a header instead.
"""

import hmac
import re
from typing import Final

from starlette.datastructures import Headers
from starlette.types import Message, Receive, Scope

from web.asker import asker

FIELD: Final = "form_token"
HEADER: Final = "x-form-token"
_MOST_BEFORE: Final = 4096
_FORM: Final = re.compile(r'<form method="post"[^>]*>')
_FIELD: Final = f"{FIELD}=".encode()
_PART: Final = re.compile(
    rb'\r\n[Cc]ontent-[Dd]isposition: form-data; name="'
    + FIELD.encode()
    + rb'"\r\n\r\n([^\r]*)\r\n'
)


def with_tokens(html: str) -> str:
    """Return a page with the asker's token in every form that changes something."""
    token = asker().form_token
    if not token:
        return html
    hidden = f'<input type="hidden" name="{FIELD}" value="{token}">'
    return _FORM.sub(lambda found: found[0] + hidden, html)


def is_right(given: str, wanted: str) -> bool:
    """Tell whether a token is the one wanted, in a time that does not tell how much of it."""
    return bool(wanted) and hmac.compare_digest(given.encode("utf-8", "replace"), wanted.encode())


class FormBody:
    """A request's body, of which the token is the first field.

    Parameters
    ----------
    scope : Scope
    receive : Receive
    """

    def __init__(self, scope: Scope, receive: Receive) -> None:
        self._receive = receive
        self._held: list[Message] = []
        headers = Headers(scope=scope)
        self._kind, _, rest = headers.get("content-type", "").partition(";")
        found = re.search(r'boundary="?([^";,\s]{1,70})"?', rest)
        self._boundary = f"--{found[1]}".encode("latin-1") if found else b""
        self.token = headers.get(HEADER, "")
        self.scope = scope

    async def find_token(self) -> None:
        """Read as far as the token goes, if there is one, and take it out of the body."""
        kind = self._kind.strip().lower()
        if kind not in ("application/x-www-form-urlencoded", "multipart/form-data"):
            return
        is_form = kind == "application/x-www-form-urlencoded"
        start, more = b"", True
        while more and len(start) < _MOST_BEFORE and not self._is_there(start, is_form):
            message = await self._receive()
            if message["type"] != "http.request":
                self._held.append(message)
                return
            start += message.get("body", b"")
            more = message.get("more_body", False)
        token, rest = _of_form(start) if is_form else _of_parts(start, self._boundary)
        if token is not None:
            self.token = self.token or token
            self._shorten(len(start) - len(rest))
        self._held.append({"type": "http.request", "body": rest, "more_body": more})

    async def receive(self) -> Message:
        """Return the next piece of the body."""
        return self._held.pop(0) if self._held else await self._receive()

    def _is_there(self, start: bytes, is_form: bool) -> bool:
        """Tell whether enough has come to see the token, or that there is none."""
        if is_form:
            return b"&" in start or (len(start) >= len(_FIELD) and not start.startswith(_FIELD))
        return start.count(b"\r\n") >= 4

    def _shorten(self, by: int) -> None:
        headers = [
            (name, str(int(value) - by).encode() if name == b"content-length" else value)
            for name, value in self.scope["headers"]
        ]
        self.scope = {**self.scope, "headers": headers}


def _of_form(start: bytes) -> tuple[str | None, bytes]:
    first, _, rest = start.partition(b"&")
    if not first.startswith(_FIELD):
        return None, start
    return first[len(_FIELD) :].decode("ascii", "replace"), rest


def _of_parts(start: bytes, boundary: bytes) -> tuple[str | None, bytes]:
    if not boundary or not start.startswith(boundary):
        return None, start
    found = _PART.match(start, len(boundary))
    if found is None:
        return None, start
    return found[1].decode("ascii", "replace"), start[found.end() :]
