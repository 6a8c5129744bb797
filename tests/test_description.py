"""The description for programs: complete, and kept to, whatever a program sends within it."""

import re
import socket
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from argon2 import PasswordHasher
from fastapi.openapi.utils import get_openapi
from fastapi.routing import iter_route_contexts
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from schemathesis.checks import not_a_server_error
from schemathesis.core.result import Ok
from schemathesis.specs.openapi.checks import positive_data_acceptance

from tests import standins
from tests.asking import Client
from tests.standins import png
from tracker import pairing
from tracker.service import Service
from web import app as web_app
from web import description
from web.access import LOOPBACK, Door

BOUNDED = settings(
    max_examples=12,
    derandomize=True,
    deadline=None,
    database=None,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=list(HealthCheck),
)


@schemathesis.serializer("multipart/related")
def related(_context: Any, value: Any) -> bytes:
    """One part, as STOW-RS sends it."""
    data = value if isinstance(value, bytes) else str(value).encode()
    return b"--parts\r\nContent-Type: application/dicom\r\n\r\n" + data + b"\r\n--parts--\r\n"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Service]]:
    """Pages on a real socket that are reached from another machine, with a case in them."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("tracker.ledger.pipeline", standins)
        quick = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)
        patch.setattr(pairing, "_HASHER", quick)
        with Service(tmp_path_factory.mktemp("record")) as service, socket.socket() as listener:
            service.open_case(standins.setup())
            service.add_picture("p1", png(0), "000.png")
            service.accept_proposed("p1")
            service.add_picture("p1", png(18), "001.png")
            listener.bind(("127.0.0.1", 0))
            door = Door(LOOPBACK, is_shared=True, is_here=lambda _scope: False)
            server = web_app.Server(web_app.create_app(service, door=door))
            thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
            thread.start()
            while not server.started:
                pass
            yield f"http://127.0.0.1:{listener.getsockname()[1]}", service
            server.should_exit = True
            thread.join(timeout=20)


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    with Service(tmp_path_factory.mktemp("record")) as service:
        found: dict[str, Any] = web_app.create_app(service).openapi()
    return found


def admitted(service: Service) -> str:
    return service.gate.pair(service.gate.new_code("theatre").digits, "Test", "program").token


# --- what is described -------------------------------------------------------------------


def test_every_address_for_programs_is_described_with_its_answers(plain: dict[str, Any]) -> None:
    found = {(method, path) for path, methods in plain["paths"].items() for method in methods}
    assert found == set(description.ANSWERS)
    for path, methods in plain["paths"].items():
        for operation in methods.values():
            assert operation["summary"], path
            assert {"401", "403", "422", "500"} <= set(operation["responses"])


def test_pages_are_not_described(plain: dict[str, Any]) -> None:
    assert all(description.is_for_programs(path) for path in plain["paths"])


def test_every_reference_leads_somewhere(plain: dict[str, Any]) -> None:
    named = set(re.findall(r"#/components/schemas/(\w+)", str(plain)))
    assert named
    assert named <= set(plain["components"]["schemas"])


def test_it_is_served_and_there_is_no_page_that_loads_from_elsewhere(tmp_path: Path) -> None:
    with Service(tmp_path) as service, Client(web_app.create_app(service)) as client:
        assert client.get("/openapi.json").json()["openapi"].startswith("3.1")
        for path in ("/docs", "/redoc"):
            assert client.get(path).status_code == 404


# --- what is kept to ---------------------------------------------------------------------


@pytest.mark.parametrize(("method", "path"), sorted(description.ANSWERS))
def test_whatever_is_sent_is_answered_as_described(
    served: tuple[str, Service], method: str, path: str
) -> None:
    """Requests made up from the description, right ones and wrong ones."""
    address, service = served
    schema = schemathesis.openapi.from_url(
        f"{address}/openapi.json", headers={"Authorization": f"Bearer {admitted(service)}"}
    )
    token = admitted(service)

    @BOUNDED
    @given(case=schema[path][method.upper()].as_strategy(), is_there=st.booleans())
    def ask(case: Any, is_there: bool) -> None:
        left_out = []
        if "{case_id}" in path:
            # Bytes that are no picture are refused, which no description of bytes can say.
            left_out.append(positive_data_acceptance)
            if is_there:
                case.path_parameters |= {"case_id": "p1"}
        headers = {"Authorization": f"Bearer {token}"}
        if "dicomweb" in path and is_there:
            headers["Content-Type"] = 'multipart/related; type="application/dicom"; boundary=parts'
        case.call_and_validate(headers=headers, timeout=20, excluded_checks=left_out)

    ask()


@pytest.mark.slow
def test_no_form_of_a_page_breaks_anything(served: tuple[str, Service]) -> None:
    """Every address there is, described for the length of this test, asked with what may come."""
    address, service = served
    app = web_app.create_app(service)
    routes = [
        route
        for route in iter_route_contexts(app.routes)
        if route.path and not route.path.endswith("/events") and "openapi" not in route.path
    ]
    whole = schemathesis.openapi.from_dict(get_openapi(title="all", version="0", routes=routes))
    whole.config.update(base_url=address)
    asked, token = 0, admitted(service)
    for found in whole.get_all_operations():
        assert isinstance(found, Ok), found
        operation = found.ok()

        @settings(BOUNDED, max_examples=6)
        @given(case=operation.as_strategy(), is_there=st.booleans())
        def ask(case: Any, is_there: bool) -> None:
            nonlocal asked, token
            if is_there and "case_id" in case.path_parameters:
                case.path_parameters |= {"case_id": "p1"}
            answer = case.call(headers={"Authorization": f"Bearer {token}"}, timeout=20)
            case.validate_response(answer, checks=[not_a_server_error])
            if answer.status_code == 401:  # it has just left by itself
                token = admitted(service)
            asked += 1

        ask()
    assert asked > 100
    assert len(service.case("p1").pictures) >= 2
