"""What a client does: the journeys of a shop over HTTP, each request timed under the name of its operation."""

from __future__ import annotations

import datetime as dt
import random
import threading
import time
import uuid
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import requests

from fixtures_demo.service import Client
from fixtures_demo.story import measured, reading

#: Id and secret of a client, and its scopes.
Credentials = tuple[str, str, list[str]]
NAMES = ("Alder", "Birch", "Cedar", "Elder", "Hazel", "Maple", "Rowan", "Willow")
MOST_TOLD = 40
BEFORE_INSPECTION = ("mark_up", "trace", "block", "edge", "hand_edge", "glaze")
SEEN = ("surfaces", "coating", "edges_and_bevel", "fit_in_rim", "strain", "alignment", "screws", "tint_match")


class Unexpected(Exception):
    """The journey ends here; what was wrong is noted."""


@dataclass(slots=True)
class Record:
    """What all clients saw: moment and seconds of each request by operation, and what should not have been."""

    began: float = field(default_factory=time.monotonic)
    took: dict[str, list[tuple[float, float]]] = field(default_factory=lambda: defaultdict(list))
    statuses: Counter[int] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    wrongs: int = 0
    lock: threading.Lock = field(default_factory=threading.Lock)

    def note(self, operation: str, seconds: float, status: int, wrong: str | None) -> None:
        with self.lock:
            self.took[operation].append((time.monotonic() - self.began, seconds))
            self.statuses[status] += 1
            if wrong is not None:
                self.wrongs += 1
                if len(self.wrong) < MOST_TOLD:
                    self.wrong.append(wrong)


@dataclass(frozen=True, slots=True)
class Shop:
    """What every client knows."""

    base: str
    mill: dict[str, Any]
    goods: dict[str, Any]
    #: Authorization headers by the name of the demo's clients.
    tokens: dict[str, str]


class Walker:
    """One client with its own connections, walking journeys at random until told to stop."""

    def __init__(self, shop: Shop, record: Record, number: int, think_seconds: float) -> None:
        self.shop, self.record, self.think = shop, record, think_seconds
        self.draw = random.Random(number)
        self.sessions = {name: _session(token) for name, token in shop.tokens.items()}
        self.sessions["nobody"] = requests.Session()
        self.stopped: threading.Event | None = None
        self.customers: list[str] = []

    def run(self, stop: threading.Event) -> None:
        self.stopped = stop
        journeys = [journey for journey, weight in JOURNEYS for _ in range(weight)]
        while not stop.is_set():
            try:
                for _ in self.draw.choice(journeys)(self):
                    if stop.wait(self.draw.expovariate(1 / self.think)):
                        return
            except Unexpected:
                pass
            except requests.RequestException as error:
                self.record.note("connection", 0.0, 0, f"connection: {error}")
            except Exception as error:  # an answer that is not what a client can read
                self.record.note("answer", 0.0, 0, f"{type(error).__name__}: {error}")
            stop.wait(self.draw.expovariate(1 / self.think))

    def call(
        self,
        who: str,
        operation: str,
        method: str,
        path: str,
        body: Any = None,
        *,
        expect: int | tuple[int, ...] = 200,
        **headers: str,
    ) -> requests.Response:
        headers = {name.replace("_", "-"): value for name, value in headers.items()}
        started = time.monotonic()
        address = f"{self.shop.base}{path}" if path.startswith("/fhir") else f"{self.shop.base}/api/v1{path}"
        given = {"data": body} if isinstance(body, str) else {"json": body}
        answer = self.sessions[who].request(method, address, headers=headers, timeout=60, **given)
        seconds = time.monotonic() - started
        wrong = None
        if answer.status_code not in (expect if isinstance(expect, tuple) else (expect,)):
            wrong = f"{operation}: {answer.status_code} instead of {expect}: {answer.text[:300]}"
        self.record.note(operation, seconds, answer.status_code, wrong)
        if wrong is not None:
            raise Unexpected(wrong)
        return answer

    # --- journeys; each yields where a person would think ------------------------------------------------------------
    def look_around(self) -> Iterator[None]:
        """Lists, a page further, a row with its ETag, and the same again, which has not changed."""
        name = self.draw.choice(NAMES)
        self.call("counter", "search customers", "GET", f"/customers/?name={name[:4]}")
        yield
        page = self.call("counter", "list orders", "GET", "/orders/").json()
        if page.get("next"):
            self.call("counter", "list orders, next page", "GET", page["next"].split("/api/v1")[1])
        yield
        for row in page["results"][:2]:
            answer = self.call("counter", "read order", "GET", f"/orders/{row['id']}/")
            if tag := answer.headers.get("ETag"):
                again = self.call(
                    "counter",
                    "read order, unchanged",
                    "GET",
                    f"/orders/{row['id']}/",
                    expect=(304, 200),
                    If_None_Match=tag,
                )
                # Somebody may have moved the order on meanwhile: then the tag is another, and so are the bytes.
                is_same = again.headers.get("ETag") == tag
                assert is_same == (again.status_code == 304) == (not again.content)
                assert is_same or again.content != answer.content
            self.call("counter", "read balance", "GET", f"/balances/{row['id']}/")
            yield
        self.call("counter", "stock", "GET", "/stock/?kind=lens")
        self.call("counter", "messages", "GET", "/messages/")

    def office(self) -> Iterator[None]:
        """Figures, the feed and exports."""
        mill = self.shop.mill["id"]
        self.call("head-office", "trial balance", "GET", f"/trial-balance/?branch={mill}")
        yield
        feed = self.call("head-office", "events", "GET", "/events/?page_size=50").json()
        assert isinstance(feed, dict)
        yield
        self.call("head-office", "stock valuation, export", "GET", f"/stock/valuation/export/?branch={mill}")
        yield
        self.call("head-office", "audit entries", "GET", "/audit/entries/?table=orders_order")
        if self.customers:
            chosen = self.draw.choice(self.customers)
            self.call("head-office", "audit export", "GET", f"/audit/entries/entries.csv/?customer={chosen}")

    def refused(self) -> Iterator[None]:
        """What must be refused, every time in the same way."""
        self.call(
            "counter", "refused: not JSON", "POST", "/customers/", "{", expect=400, Content_Type="application/json"
        )
        body = {"branch": self.shop.mill["id"], "given_name": "Wren", "nonsense": 1}
        self.call("counter", "refused: unknown field", "POST", "/customers/", body, expect=400)
        yield
        self.call("nobody", "refused: nobody", "GET", "/orders/", expect=401)
        self.call("workshop", "refused: wrong role", "GET", "/audit/entries/", expect=403)
        self.call("counter", "refused: not there", "GET", f"/orders/{uuid.uuid4()}/", expect=404)
        yield
        if self.customers:
            chosen = self.draw.choice(self.customers)
            self.call("quay-counter", "refused: not yours", "GET", f"/customers/{chosen}/", expect=404)

    def sell(self) -> Iterator[None]:
        """A customer comes in, is measured, orders and pays a part."""
        for _ in self._order():
            yield

    def make(self) -> Iterator[None]:
        """As ``sell``, and the workshop makes the pair, inspects it and hands it over."""
        for _ in self._order():
            yield
        order = self.order
        path = ""
        for _ in range(60):
            rows = self.call("workshop", "find job", "GET", f"/jobs/?order={order['id']}").json()["results"]
            if rows:
                path = f"/jobs/{rows[0]['id']}"
                break
            if self.stopped is not None and self.stopped.wait(1.0):
                return
        else:
            raise AssertionError(f"no job was opened for order {order['number']} within a minute")
        if self.draw.random() < 0.2:
            self.call("workshop", "job ticket", "GET", f"{path}/ticket/")
        yield
        self._begin(path, "verify")
        for eye in ("right", "left"):
            lens = next(each for each in order["lenses"] if each["eye"] == eye)
            read = reading(eye, lens["sphere_dpt"], lens["cylinder_dpt"], int(lens["axis_deg"] or 0))
            self.call("workshop", "verify lens", "POST", f"{path}/verify/", read, expect=201)
        self._end(path, "verify")
        for kind in BEFORE_INSPECTION:
            self._begin(path, kind)
            yield
            self._end(path, kind)
        self._begin(path, "inspect")
        inspection = {
            "job": path.split("/")[-1],
            **{
                each["eye"]: measured(each["sphere_dpt"], each["cylinder_dpt"], int(each["axis_deg"] or 0))
                for each in order["lenses"]
            },
            "visual": {name: {"ok": True} for name in SEEN},
            "pair": {"centre_distance_mm": "65.0", "height_difference_mm": "0.0"},
        }
        passed = self.call("workshop", "inspect", "POST", "/inspections/", inspection, expect=201).json()
        if passed["outcome"] != "pass":
            raise AssertionError(f"the pair did not pass: {passed['outcome']} {passed['reasons']}")
        yield
        for kind in ("set_up", "pack"):
            self._begin(path, kind)
            self._end(path, kind)
        due = self.call("counter", "read balance", "GET", f"/balances/{order['id']}/").json()["due"]
        self._pay(order, due)
        for _ in range(60):
            if self.call("counter", "read order", "GET", f"/orders/{order['id']}/").json()["state"] == "ready":
                break
            if self.stopped is not None and self.stopped.wait(1.0):
                return
        self.call("counter", "hand over", "POST", "/handovers/", {"order": order["id"]}, expect=201)

    # --- pieces ------------------------------------------------------------------------------------------------------
    def _order(self) -> Iterator[None]:
        mill, goods = self.shop.mill["id"], self.shop.goods
        person = {
            "branch": mill,
            "given_name": "Wren",
            "family_name": f"{self.draw.choice(NAMES)}-{self.draw.randrange(100_000)} (invented)",
            "birth_date": f"19{self.draw.randrange(50, 99)}-0{self.draw.randrange(1, 9)}-11",
            "email": f"{uuid.uuid4().hex[:12]}@example.org",
            "preferred_channel": "email",
        }
        customer = self.call("counter", "register customer", "POST", "/customers/", person, expect=201).json()
        self.customers = [*self.customers[-20:], customer["id"]]
        yield
        prescription = self.call(
            "counter", "record prescription", "POST", "/prescriptions/", prescribed(customer), expect=201
        ).json()
        yield
        frame = goods["frames"]["HERON-50-TEAL"]["id"]
        measurement = self.call(
            "counter", "measure", "POST", "/measurements/", taken(customer, frame), expect=201
        ).json()
        lens = goods["lenses"]["SV-1.60-65"]["id"]
        body = {
            "branch": mill,
            "customer": customer["id"],
            "prescription": prescription["id"],
            "measurement": measurement["id"],
            "frame": frame,
            "lenses": {"right": lens, "left": lens},
        }
        self.call("counter", "quote", "POST", "/orders/quote/", body)
        yield
        self.order = self.call(
            "counter", "place order", "POST", "/orders/", body, expect=201, Idempotency_Key=str(uuid.uuid4())
        ).json()
        yield
        self._pay(self.order, "100.00")
        if self.draw.random() < 0.3:
            rows = self.call("counter", "receipts", "GET", f"/receipts/?order={self.order['id']}").json()["results"]
            self.call("counter", "receipt as PDF", "GET", f"/receipts/{rows[0]['id']}/document/")

    def _pay(self, order: dict[str, Any], amount: str) -> None:
        """Twice under one key, as after a lost answer: it is paid once."""
        body = {"order": order["id"], "amount": amount, "method": "card", "reference": "T-4711"}
        key = str(uuid.uuid4())
        once = self.call("counter", "pay", "POST", "/payments/", body, expect=201, Idempotency_Key=key).json()
        if self.draw.random() < 0.2:
            again = self.call("counter", "pay, said again", "POST", "/payments/", body, expect=201, Idempotency_Key=key)
            assert again.json()["id"] == once["id"]

    def _begin(self, path: str, kind: str) -> None:
        steps = {
            row["kind"]: row["state"] for row in self.call("workshop", "read job", "GET", f"{path}/").json()["steps"]
        }
        if steps[kind] == "pending":
            self.call("workshop", "start step", "POST", f"{path}/steps/{kind}/start/", {})

    def _end(self, path: str, kind: str) -> None:
        self.call("workshop", "finish step", "POST", f"{path}/steps/{kind}/finish/", {})


JOURNEYS: list[tuple[Callable[[Walker], Iterator[None]], int]] = [
    (Walker.look_around, 5),
    (Walker.office, 1),
    (Walker.refused, 2),
    (Walker.sell, 3),
    (Walker.make, 3),
]


def prescribed(customer: dict[str, Any]) -> dict[str, Any]:
    """As in the demo: at 15 mm it needs -6.00/-1.25 right and -6.75/-0.50 left."""
    return {
        "customer": customer["id"],
        "purpose": "distance",
        "issued_on": (dt.datetime.now(dt.UTC).date() - dt.timedelta(days=12)).isoformat(),
        "prescriber": {"name": "R. Sorrel (invented)", "registration": "01-00001 (invented)"},
        "recall_months": 24,
        "vertex_distance_mm": "12.0",
        "right": {"sphere_dpt": "-7.25", "cylinder_dpt": "1.25", "axis_deg": 80},
        "left": {"sphere_dpt": "-6.50", "cylinder_dpt": "-0.50", "axis_deg": 15},
    }


def taken(customer: dict[str, Any], frame: str) -> dict[str, Any]:
    return {
        "customer": customer["id"],
        "frame": frame,
        "method": "pupilmeter",
        "pd_right_mm": "33.0",
        "pd_left_mm": "32.0",
        "height_right_mm": "21.0",
        "height_left_mm": "21.0",
        "vertex_distance_mm": "15.0",
        "pantoscopic_deg": "8.0",
        "wrap_deg": "4.0",
    }


class SignedIn(Client):
    """A client of the demo under the scopes that its role has."""

    def __init__(self, base: str, credentials: Credentials) -> None:
        client_id, secret, scopes = credentials
        self.base, self.session = base, requests.Session()
        asked = {"grant_type": "client_credentials", "scope": " ".join(scopes)}
        answer = self.session.post(f"{base}/oauth/token/", data=asked, auth=(client_id, secret), timeout=60)
        if answer.status_code != 200:
            raise RuntimeError(f"Sign-in failed: {answer.status_code} {answer.text}")
        self.session.headers["Authorization"] = f"Bearer {answer.json()['access_token']}"


def opened(base: str, credentials: dict[str, Credentials]) -> dict[str, str]:
    return {
        name: str(SignedIn(base, credentials[name]).session.headers["Authorization"])
        for name in ("counter", "workshop", "head-office", "quay-counter")
    }


def _session(token: str) -> requests.Session:
    session = requests.Session()
    session.headers["Authorization"] = token
    return session
