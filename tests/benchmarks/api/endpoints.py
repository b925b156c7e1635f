"""What is asked: ten reads that a counter and a bench send all day, and one write, with keys drawn from the data.

Six of them are in the journeys of ``tests/soak``: a job before every step, orders and one order, customers by name,
stock, and a customer registered with every sale. The others are what the pages of counter and bench open with (common
practice, no source).
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import quote

import psycopg

#: Of so many shops the tills ask at once; each has its own token, so all is limited to its branch.
SHOPS = 8
#: Keys drawn of each shop.
KEYS = 60


@dataclass(frozen=True, slots=True)
class Asked:
    """One request: which shop asks, the path below ``/api/v1``, and the body of a write."""

    shop: int
    path: str
    body: bytes | None = None


@dataclass(frozen=True, slots=True)
class Shop:
    """A branch, and keys of what lies there."""

    branch: str
    orders: Sequence[str]
    customers: Sequence[str]
    names: Sequence[str]
    jobs: Sequence[str]


@dataclass(frozen=True, slots=True)
class Endpoint:
    name: str
    why: str
    #: The paths that one shop asks for.
    paths: Callable[[Shop], Sequence[str]] = field(repr=False)
    is_list: bool = True
    #: A body for the number of a request; None for a read.
    body: Callable[[Shop, random.Random], dict[str, Any]] | None = field(default=None, repr=False)

    def requests(self, shops: Sequence[Shop], seed: int, page_size: int = 0) -> list[Asked]:
        """In an order drawn by the seed, the same for every server; lists by pages of so many rows, if it is said."""
        draw, further = random.Random(seed), f"&page_size={page_size}" if page_size and self.is_list else ""
        if self.body is None:
            found = [Asked(number, path + further) for number, shop in enumerate(shops) for path in self.paths(shop)]
        else:
            found = [
                Asked(number, path, json.dumps(self.body(shop, draw)).encode())
                for number, shop in enumerate(shops)
                for path in self.paths(shop)
                for _ in range(200)
            ]
        draw.shuffle(found)
        return found


def _registered(shop: Shop, draw: random.Random) -> dict[str, Any]:
    return {
        "branch": shop.branch,
        "given_name": "Wren",
        "family_name": f"Bench{draw.randrange(10**9)} (invented)",
        "birth_date": f"19{draw.randrange(40, 99)}-0{draw.randrange(1, 9)}-{draw.randrange(10, 28)}",
        "email": f"{draw.getrandbits(60):x}@example.org",
        "preferred_channel": "email",
    }


BOARD = "state=waiting&state=open&state=stopped&state=inspected&ordering=promised_on"
ENDPOINTS = (
    Endpoint("orders", "the till's first page: newest of the branch", lambda shop: [f"/orders/?branch={shop.branch}"]),
    Endpoint(
        "orders_ready", "who may be rung up: ready pairs", lambda shop: [f"/orders/?branch={shop.branch}&state=ready"]
    ),
    Endpoint("order", "a customer at the desk", lambda shop: [f"/orders/{key}/" for key in shop.orders], is_list=False),
    Endpoint("customers", "who is it?", lambda shop: [f"/customers/?name={quote(name)}" for name in shop.names]),
    Endpoint(
        "customer", "before every sale", lambda shop: [f"/customers/{key}/" for key in shop.customers], is_list=False
    ),
    Endpoint(
        "prescriptions",
        "before every order",
        lambda shop: [f"/prescriptions/?customer={key}" for key in shop.customers],
    ),
    Endpoint("board", "the bench, promised first", lambda shop: [f"/jobs/?branch={shop.branch}&{BOARD}"]),
    Endpoint("job", "each step at the bench reads it", lambda shop: [f"/jobs/{key}/" for key in shop.jobs], False),
    Endpoint("stock", "what is in the drawers", lambda shop: [f"/stock/?branch={shop.branch}"]),
    Endpoint("payments", "the drawer against the list", lambda shop: [f"/payments/?branch={shop.branch}"]),
    Endpoint("register", "the write: a new customer", lambda shop: ["/customers/"], False, _registered),
)
BY_NAME = {each.name: each for each in ENDPOINTS}


def drawn(url: str, seed: int = 1, letters: int = 4) -> list[Shop]:
    """Shops spread over the group, with keys drawn from each; the same for the same data and seed. Customers are looked
    for by so many letters of their family name."""
    with psycopg.connect(url, autocommit=True) as connection:
        every = [row[0] for row in connection.execute("SELECT id::text FROM branches_branch ORDER BY code")]
        with_orders = [
            branch
            for branch in every
            if connection.execute("SELECT 1 FROM orders_order WHERE branch_id = %s LIMIT 1", [branch]).fetchone()
        ]
        if not with_orders:
            raise SystemExit("There are no orders in this database: generate some first (docs/generating.md).")
        step = max(1, len(with_orders) // SHOPS)
        return [_shop(connection, branch, seed, letters) for branch in with_orders[::step][:SHOPS]]


def _shop(connection: psycopg.Connection[Any], branch: str, seed: int, letters: int) -> Shop:
    def keys(query: str) -> list[Any]:
        return connection.execute(
            query, {"branch": branch, "seed": str(seed), "most": KEYS, "letters": letters}
        ).fetchall()

    orders = keys(
        "SELECT o.id::text, o.customer_id::text FROM orders_order o JOIN customers_customer c ON c.id = o.customer_id"
        " WHERE o.branch_id = %(branch)s AND c.branch_id = %(branch)s ORDER BY md5(o.id::text || %(seed)s)"
        " LIMIT %(most)s"
    )
    names = keys(
        "SELECT left(split_part(search_family, ' ', 1), %(letters)s) FROM customers_customer"
        " WHERE branch_id = %(branch)s AND search_family <> ''"
        " AND search_family NOT LIKE 'bench%%'"
        " ORDER BY md5(id::text || %(seed)s) LIMIT %(most)s"
    )
    jobs = keys(
        "SELECT id::text FROM (SELECT id FROM workshop_job WHERE branch_id = %(branch)s ORDER BY id DESC LIMIT 200) j"
        " ORDER BY md5(id::text || %(seed)s) LIMIT %(most)s"
    )
    return Shop(
        branch,
        [row[0] for row in orders],
        list(dict.fromkeys(row[1] for row in orders)),
        [row[0] for row in names],
        [row[0] for row in jobs],
    )
