"""``make demo``: one pair of spectacles through the whole job, over HTTP, with its figures checked on the way.

Every figure that is checked is computed here anew from its textbook formula, not asked of the service. The first wrong
figure ends the story with exit code 1. Nobody and nothing in it is real.
"""

from __future__ import annotations

import datetime as dt
import json
import math
import sys
import uuid
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path
from typing import Any

from .service import ROOT, VAR, Client, StoryIsWrong, eventually, prepare, running

_chapter = 0


def chapter(title: str) -> None:
    global _chapter
    _chapter += 1
    print(f"\n{_chapter:2}. {title}")


def say(text: str) -> None:
    print(f"    {text}")


def check(what: str, got: Any, wanted: Any, tolerance: float = 0.0) -> None:
    """Say a figure that is right, end the story at one that is wrong."""
    right = abs(float(got) - float(wanted)) <= tolerance if tolerance else got == wanted
    if not right:
        raise StoryIsWrong(f"{what}: {got!r}, but it must be {wanted!r}")
    say(f"✓ {what}: {got}")


def main() -> int:
    started = dt.datetime.now(dt.UTC)
    prepare()
    print("One pair of spectacles, from prescription to recall. All people, shops and products are invented.")
    credentials = set_up()
    try:
        with running() as base:
            from .load import how_to_sign_in

            print()
            print(how_to_sign_in(credentials, base))
            tell(base, credentials.services)
        verify_ledger()
    except StoryIsWrong as wrong:
        print(f"\nThe story is wrong: {wrong}", file=sys.stderr)
        return 1
    took = (dt.datetime.now(dt.UTC) - started).total_seconds()
    papers = VAR.relative_to(ROOT)
    print(f"\nThe story is right. {took:.0f} s. Papers in {papers}:")
    print("job-ticket.pdf, receipt.pdf, layout.svg, books.beancount")
    print("This service has stopped again; `make tour` keeps one running and says how to sign in there.")
    return 0


def set_up() -> Any:
    import django
    from django.core.management import call_command

    django.setup()
    call_command("migrate", verbosity=0)
    from .load import load_group

    return load_group()


def verify_ledger() -> None:
    from django.core.management import call_command

    chapter("Afterwards: stock and money are recomputed, line by line")
    for proof in ("stock_verify", "ledger_verify"):
        try:
            call_command(proof)
        except SystemExit as failure:
            raise StoryIsWrong(f"{proof} found a difference") from failure


def tell(base: str, services: dict[str, tuple[str, str]]) -> None:
    counter, workshop = Client(base, services["counter"]), Client(base, services["workshop"])
    office, elsewhere = Client(base, services["head-office"]), Client(base, services["quay-counter"])
    mill = next(row for row in counter.get("/branches/")["results"] if row["code"] == "MILL")
    goods = fill_the_shop(office, counter, mill)
    customer = register(counter, elsewhere, mill)
    prescription = prescribe(counter, customer)
    order = place(counter, mill, customer, prescription, goods)
    pay_deposit(counter, order)
    job = work(workshop, counter, order)
    inspect(workshop, counter, order, job)
    collect(counter, order)
    recall(counter, customer, prescription)
    books(office, mill, order)


def fill_the_shop(office: Client, counter: Client, mill: dict[str, Any]) -> dict[str, Any]:
    from .load import DATA

    chapter("Head office fills the catalogue, the branch receives stock")
    for rate in DATA["tax_rates"]:
        office.post("/tax-rates/", rate)
    frames = {row["sku"]: office.post("/frames/", row) for row in DATA["frames"]}
    lenses = {row["sku"]: office.post("/lenses/", row) for row in DATA["lenses"]}
    for row in DATA["services"]:
        office.post("/services/", row)
    for frame in frames.values():
        receive(counter, mill, kind="frame", frame=frame["id"], quantity=1, unit_cost="31.00")
    lens = lenses["SV-1.60-65"]["id"]
    for sphere, cylinder in (("-6.00", "-1.25"), ("-6.75", "-0.50")):
        receive(
            counter,
            mill,
            kind="lens",
            lens=lens,
            sphere_dpt=sphere,
            cylinder_dpt=cylinder,
            quantity=3,
            unit_cost="7.40",
        )
    plugin = "/plugins/opticshop-console-messages/activation/"
    office.put(plugin, {"is_active": True, "settings": {"path": "sent.jsonl"}}, office.get(plugin)["version"])
    say("2 frames, 3 + 3 single-vision lenses 1.60, diameter 65, each by lot")
    return {"frames": frames, "lenses": lenses}


def receive(counter: Client, mill: dict[str, Any], **more: Any) -> None:
    counter.post("/stock/receipts/", {"branch": mill["id"], "lot_code": "LOT-7", **more})


def register(counter: Client, elsewhere: Client, mill: dict[str, Any]) -> dict[str, Any]:
    chapter("Register the customer")
    person = {
        "branch": mill["id"],
        "given_name": "Wren",
        "family_name": "Alder",
        "birth_date": "1984-03-09",
        "email": "wren.alder@example.org",
        "phone": "020 7946 0018",
        "preferred_channel": "email",
    }
    customer: dict[str, Any] = counter.post("/customers/", person)
    twin = counter.post("/customers/", person | {"given_name": "Wrenn", "email": ""})
    check("near-duplicates named, not blocked", len(twin["near_duplicates"]), 1)
    found = counter.get("/customers/?name=ald wre&birth_date=1984-03-09")["results"]
    check("found by name and birth date", customer["id"] in {row["id"] for row in found}, True)
    elsewhere.get(f"/customers/{customer['id']}/", expect=404)
    say("✓ at the other branch this customer looks like nobody (404)")
    return customer


def prescribe(counter: Client, customer: dict[str, Any]) -> dict[str, Any]:
    chapter("Record the prescription")
    issued = dt.datetime.now(dt.UTC).date() - dt.timedelta(days=12)
    body = {
        "customer": customer["id"],
        "purpose": "distance",
        "issued_on": issued.isoformat(),
        "prescriber": {"name": "R. Sorrel (invented)", "registration": "01-00001 (invented)"},
        "recall_months": 24,
        "vertex_distance_mm": "12.0",
        "right": {"sphere_dpt": "-7.25", "cylinder_dpt": "1.25", "axis_deg": 80},
        "left": {"sphere_dpt": "-6.50", "cylinder_dpt": "-0.50", "axis_deg": 15},
    }
    wrong = {**body, "left": {"sphere_dpt": "-6.50", "cylinder_dpt": "-0.50"}}
    problem = counter.post("/prescriptions/", wrong, expect=422)
    say(f"✓ a cylinder without an axis is refused: {problem['code']} at {problem['errors'][0]['pointer']}")
    prescription: dict[str, Any] = counter.post("/prescriptions/", body)
    right = prescription["right"]
    check(
        "kept as written, right", (right["sphere_dpt"], right["cylinder_dpt"], right["axis_deg"]), ("-7.25", "1.25", 80)
    )
    say(f"expires {prescription['expires_on']} ({prescription['expiry_source']})")
    return prescription


def measure(counter: Client, customer: dict[str, Any], frame: dict[str, Any]) -> dict[str, Any]:
    return counter.post(  # type: ignore[no-any-return]
        "/measurements/",
        {
            "customer": customer["id"],
            "frame": frame["id"],
            "method": "pupilmeter",
            "pd_right_mm": "33.0",
            "pd_left_mm": "32.0",
            "height_right_mm": "21.0",
            "height_left_mm": "21.0",
            "vertex_distance_mm": "15.0",
            "pantoscopic_deg": "8.0",
            "wrap_deg": "4.0",
        },
    )


def worn(power: float, tested_mm: float, worn_mm: float) -> float:
    """Effectivity: F' = F / (1 - d F), d positive when the lens moves towards the eye (optics dossier 5)."""
    return power / (1 - (tested_mm - worn_mm) / 1000 * power)


def place(
    counter: Client, mill: dict[str, Any], customer: dict[str, Any], prescription: dict[str, Any], goods: dict[str, Any]
) -> dict[str, Any]:
    chapter("Measure, choose, and place the order")
    large, chosen = goods["frames"]["BITTERN-56-GREY"], goods["frames"]["HERON-50-TEAL"]
    lens = goods["lenses"]["SV-1.60-65"]["id"]
    body = {
        "branch": mill["id"],
        "customer": customer["id"],
        "prescription": prescription["id"],
        "lenses": {"right": lens, "left": lens},
    }
    first = body | {"frame": large["id"], "measurement": measure(counter, customer, large)["id"]}
    quote = counter.post("/orders/quote/", first, expect=200)["computation"]["right"]
    check("the large frame cuts out of a 65 mm lens", quote["cuts_out"], False)
    say(f"it needs {quote['minimum_blank_exact_mm']} mm; the usable blank has {quote['blank_diameter_mm']} mm")
    problem = counter.post("/orders/", first, expect=409)
    say(f"✓ the order is refused: {problem['code']}")

    measured = measure(counter, customer, chosen)
    check("binocular PD, mm (common practice, no source)", float(measured["pd_mm"]), 65.0)
    wanted = body | {"frame": chosen["id"], "measurement": measured["id"]}
    order: dict[str, Any] = counter.post("/orders/", wanted, **{"Idempotency-Key": str(uuid.uuid4())})
    right, left = order["computation"]["right"], order["computation"]["left"]

    # The right eye is -6.00/-1.25 x 170 once transposed; both meridians move from 12 to 15 mm.
    sphere, across = worn(-6.00, 12, 15), worn(-7.25, 12, 15)
    check("right, compensated sphere", right["sphere_dpt"], round(sphere, 4), 1e-4)
    check("right, compensated cylinder", right["cylinder_dpt"], round(across - sphere, 4), 1e-4)
    check("right, axis after transposition", right["axis_deg"], 170.0)
    check("left, compensated sphere", left["sphere_dpt"], round(worn(-6.50, 12, 15), 4), 1e-4)
    check("left, power to supply", order["lenses"][1]["sphere_dpt"], "-6.75")
    check("right, decentration in: (50 + 18) / 2 - 33", right["decentration_in_mm"], 1.0)
    check("left, decentration in: (50 + 18) / 2 - 32", left["decentration_in_mm"], 2.0)
    check("decentration up: 21 - 38 / 2", right["decentration_up_mm"], 2.0)
    rule = 54 + 2 * math.hypot(2.0, 2.0) + 2
    check("left, minimum blank by rule of thumb", left["minimum_blank_rule_mm"], round(rule, 2), 0.01)
    check("left, exact blank is less than the rule's", left["minimum_blank_exact_mm"] < rule, True)
    check("both lenses cut out", right["cuts_out"] and left["cuts_out"], True)
    for eye, lens in (("right", right), ("left", left)):
        say(f"{eye}: edge {lens['edge_thinnest_mm']} to {lens['edge_thickest_mm']} mm, {lens['weight_g']} g")
    check("prism induced at the centration points", (right["prism_in_dpt"], left["prism_in_dpt"]), (0.0, 0.0))
    # Prentice, horizontal: what leaving the centre in the middle of the box would have cost the left eye.
    say(f"undecentred, the left lens would give {left['prism_without_decentration_in_dpt']} prism dioptres base in")
    check("distance between the optical centres, mm", order["computation"]["centre_distance_mm"], 65.0)

    total = Decimal("95.00") + 2 * Decimal("64.00") + Decimal("60.00")
    check("price", order["total"], f"{total:.2f} ".strip())
    check("tax (20 % within goods; dispensing exempt)", order["tax_total"], str(tax_of("95.00") + 2 * tax_of("64.00")))
    for warning in order["warnings"]:
        say(f"! {warning['eye'] or 'pair'}: {warning['detail']}")
    say(f"order {order['number']}, promised {order['promised_on']}; frame and both lenses are reserved by lot")
    return order


def tax_of(gross: str) -> Decimal:
    """Tax contained in a gross amount at 20 %, half up."""
    return (Decimal(gross) * 20 / 120).quantize(Decimal("0.01"), rounding=ROUND_HALF_UP)


def pay_deposit(counter: Client, order: dict[str, Any]) -> None:
    chapter("Take a deposit")
    key = {"Idempotency-Key": str(uuid.uuid4())}
    body = {"order": order["id"], "amount": "140.00", "method": "card", "reference": "T-4711"}
    payment = counter.post("/payments/", body, **key)
    again = counter.post("/payments/", body, **key)
    check("the same request again is the same payment", again["id"], payment["id"])
    balance = counter.get(f"/balances/{order['id']}/")
    check("paid", balance["paid"], "140.00")
    check("still due", balance["due"], "143.00")
    receipts = counter.get(f"/receipts/?order={order['id']}")["results"]
    say(f"receipt {receipts[0]['number']}")
    keep("receipt.pdf", counter.raw(f"/receipts/{receipts[0]['id']}/document/"))


def keep(name: str, content: bytes) -> Path:
    path = VAR / name
    path.write_bytes(content)
    say(f"written: {path.relative_to(ROOT)} ({len(content):,} bytes)")
    return path


def work(workshop: Client, counter: Client, order: dict[str, Any]) -> str:
    chapter("The workshop: the job opened by itself from the order's event")
    job = eventually("the job", lambda: workshop.get(f"/jobs/?order={order['id']}")["results"])[0]
    say(f"job {job['number']}; next: {job['next']['words']}")
    path = f"/jobs/{job['id']}"
    keep("job-ticket.pdf", workshop.raw(f"{path}/ticket/"))
    keep("layout.svg", workshop.raw(f"{path}/layout/"))

    chapter("Verify on the focimeter")
    step(workshop, path, "verify", finish=False)
    read = workshop.post(f"{path}/verify/", reading("right", "-6.25", "-1.25", 170))
    check("a packet labelled -6.00 that reads -6.25", read["outcome"], "fail")
    check("the job", read["job"]["state"], "stopped")
    say(f"reason: {read['job']['stop_reason']}")
    broken = workshop.post(
        f"{path}/break-lens/", {"eye": "right", "step": "verify", "reason": "Packet holds another power"}
    )
    check("written off, another one reserved", broken["replaced"], True)
    if workshop.get(f"{path}/")["state"] == "stopped":
        workshop.post(f"{path}/resume/", {"note": "Right lens replaced"}, expect=200)
    begin(workshop, path, "verify")
    check(
        "right, as it should be",
        workshop.post(f"{path}/verify/", reading("right", "-6.00", "-1.25", 170))["outcome"],
        "pass",
    )
    check("left", workshop.post(f"{path}/verify/", reading("left", "-6.75", "-0.50", 15))["outcome"], "pass")
    workshop.post(f"{path}/steps/verify/finish/", {}, expect=200)

    chapter("Mark up, trace, block, edge; the left lens chips and is replaced")
    for kind in ("mark_up", "trace", "block"):
        step(workshop, path, kind)
    begin(workshop, path, "edge")
    broken = workshop.post(
        f"{path}/break-lens/", {"eye": "left", "step": "edge", "reason": "Chipped at the nasal edge"}
    )
    check("written off, another one reserved", broken["replaced"], True)
    begin(workshop, path, "verify")
    check("new left lens", workshop.post(f"{path}/verify/", reading("left", "-6.73", "-0.52", 14))["outcome"], "pass")
    workshop.post(f"{path}/steps/verify/finish/", {}, expect=200)
    for kind in ("mark_up", "trace", "block", "edge", "hand_edge", "glaze"):
        step(workshop, path, kind)
    stock = counter.get("/stock/?kind=lens")["results"]
    check("lenses on hand after two write-offs", sum(row["on_hand"] for row in stock), 4)
    return path


def reading(eye: str, sphere: str, cylinder: str, axis: int) -> dict[str, Any]:
    return {"eye": eye, "sphere_dpt": sphere, "cylinder_dpt": cylinder, "axis_deg": axis}


def begin(workshop: Client, path: str, kind: str) -> None:
    """Start a step unless somebody already did."""
    states = {row["kind"]: row["state"] for row in workshop.get(f"{path}/")["steps"]}
    if states[kind] == "pending":
        workshop.post(f"{path}/steps/{kind}/start/", {}, expect=200)


def step(workshop: Client, path: str, kind: str, finish: bool = True) -> None:
    begin(workshop, path, kind)
    if finish:
        workshop.post(f"{path}/steps/{kind}/finish/", {}, expect=200)
        say(f"· {kind}")


def inspect(workshop: Client, counter: Client, order: dict[str, Any], path: str) -> None:
    chapter("Final inspection against ISO 21987:2017")
    begin(workshop, path, "inspect")
    lenses = {
        "right": measured("-6.02", "-1.20", 171),
        "left": measured("-6.78", "-0.47", 16),
    }
    visual = {
        name: {"ok": True}
        for name in (
            "surfaces",
            "coating",
            "edges_and_bevel",
            "fit_in_rim",
            "strain",
            "alignment",
            "screws",
            "tint_match",
        )
    }
    body = {"job": path.split("/")[-1], **lenses, "visual": visual, "redo_from": "glaze"}
    failed = workshop.post(
        "/inspections/", body | {"pair": {"centre_distance_mm": "68.0", "height_difference_mm": "0.0"}}
    )
    check("centres 68 mm apart instead of 65", failed["outcome"], "fail")
    tell_verdict(failed, only="fail")
    counter.post("/handovers/", {"order": order["id"]}, expect=409)
    say("✓ a failed pair cannot be handed over (409); it is reworked")
    if workshop.get(f"{path}/")["state"] == "stopped":
        workshop.post(f"{path}/resume/", {"note": "Lenses turned in the rims; glaze again"}, expect=200)
    step(workshop, path, "glaze")
    begin(workshop, path, "inspect")
    passed = workshop.post(
        "/inspections/", body | {"pair": {"centre_distance_mm": "65.0", "height_difference_mm": "0.0"}}
    )
    if passed["outcome"] != "pass":
        raise StoryIsWrong(f"The reworked pair: {passed['outcome']}, missing {passed['missing']} {passed['reasons']}")
    say("✓ measured again: 65 mm between the optical centres (common practice, no source)")
    tell_verdict(passed)
    if passed["leaned_on_unconfirmed"]:
        say("! the verdict leaned on limits known from memory only: check them against the purchased standard")
    for kind in ("set_up", "pack"):
        step(workshop, path, kind)


def measured(sphere: str, cylinder: str, axis: int) -> dict[str, Any]:
    return {"sphere_dpt": sphere, "cylinder_dpt": cylinder, "axis_deg": axis}


def tell_verdict(inspection: dict[str, Any], only: str | None = None) -> None:
    for line in inspection["verdict"]["lines"]:
        if line["outcome"] in {"not_applicable", "not_measured"} or (only and line["outcome"] != only):
            continue
        deviation = f"{round(float(line['deviation']), 2) + 0:+.2f}" if line["deviation"] else ""
        say(
            f"{line['eye']:5} {line['parameter']:18} {line['outcome']:5} deviation {deviation:>6} "
            f"limit {line['limit'] or '':>5} {line['unit']}  [{line['clause']}; {line['confidence']}]"
        )


def collect(counter: Client, order: dict[str, Any]) -> None:
    chapter("Ready: the customer is told, pays the balance and collects")
    eventually("the order to be ready", lambda: counter.get(f"/orders/{order['id']}/")["state"] == "ready")
    message = eventually(
        "the message", lambda: [m for m in counter.get("/messages/")["results"] if m["state"] == "sent"]
    )[0]
    say(f"message {message['kind']} by the channel plugin {message['channel']}: {message['state']}")
    written = json.loads((VAR / "messages" / "sent.jsonl").read_text(encoding="utf-8").splitlines()[-1])
    check("its subject", written["subject"], f"Your order {order['number']} is ready to collect")
    problem = counter.post("/handovers/", {"order": order["id"]}, expect=409)
    check("handing over before the balance is paid", problem["code"], "quality.balance_due")
    counter.post(
        "/payments/",
        {"order": order["id"], "amount": "143.00", "method": "cash"},
        **{"Idempotency-Key": str(uuid.uuid4())},
    )
    check("still due", counter.get(f"/balances/{order['id']}/")["due"], "0.00")
    handover = counter.post(
        "/handovers/", {"order": order["id"], "advice": ["Fitted to the face", "Cleaning explained"]}
    )
    for caution in handover["cautions"]:
        say(f"! {caution['words']}")
    check("the order", counter.get(f"/orders/{order['id']}/")["state"], "collected")


def recall(counter: Client, customer: dict[str, Any], prescription: dict[str, Any]) -> None:
    chapter("The recall")
    planned = eventually("the recall", lambda: counter.get(f"/recalls/?customer={customer['id']}")["results"])[0]
    issued = dt.date.fromisoformat(prescription["issued_on"])
    check("due 24 months after the prescription", planned["due_on"], in_two_years(issued).isoformat())
    say(f"because: {planned['reason']}")


def books(office: Client, mill: dict[str, Any], order: dict[str, Any]) -> None:
    """The supply is booked from the outbox, so it is waited for."""
    chapter("The books, in double entry")

    def balances() -> dict[str, Decimal]:
        found: dict[str, Any] = office.get(f"/trial-balance/?branch={mill['id']}")
        check("debits and credits", found["sums"][0]["debit"], found["sums"][0]["credit"])
        return {row["name"]: Decimal(row["closing"]) for row in found["rows"]}

    entries = f"/journal-entries/?branch={mill['id']}"
    eventually("the supply to be booked", lambda: len(office.get(entries)["results"]) == 3)
    closing = balances()
    for name, amount in closing.items():
        say(f"{name:32} {amount:>9}")
    taxable = sum(Decimal(line["gross"]) for line in order["lines"] if line["tax_category"] == "standard")
    exempt = Decimal(order["total"]) - taxable
    tax = tax_of(str(taxable))
    check("no deposit is held any more", closing.get("Deposits held for customers", Decimal(0)), Decimal(0))
    taken = closing["Cash in tills"] + closing["Card payments on their way"]
    check("in the till and on the way from the card", taken, Decimal(order["total"]))
    check("tax owed: taxable x 20 / 120", -closing["Tax on sales, owed"], tax)
    check("taxable sales without their tax", -closing["Sales, taxable"], taxable - tax)
    check("exempt dispensing", -closing["Sales, exempt"], exempt)
    batch = office.post("/journal-exports/", {"exporter": "plain-text-books", "branch": mill["id"]})
    keep("books.beancount", office.raw(f"/journal-exports/{batch['id']}/file/"))


def in_two_years(day: dt.date) -> dt.date:
    try:
        return day.replace(year=day.year + 2)
    except ValueError:  # 29 February
        return day.replace(year=day.year + 2, day=28)


if __name__ == "__main__":
    sys.exit(main())
