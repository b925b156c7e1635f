# ruff: noqa: DJ008
"""The tables as they are, as ``inspectdb`` would write them, shortened to the columns that are shown."""

import uuid_utils.compat
from django.db import models
from django.utils import timezone

PROTECT = models.PROTECT


class Kept(models.Model):
    id = models.UUIDField(primary_key=True, default=uuid_utils.compat.uuid7)
    created_at = models.DateTimeField(default=timezone.now)

    class Meta:
        abstract = True


class Branch(Kept):
    code = models.CharField(max_length=20)
    time_zone = models.CharField(max_length=60)
    country = models.CharField(max_length=2)
    language = models.CharField(max_length=10)

    class Meta:
        managed, db_table = False, "branches_branch"


class Person(models.Model):
    """Of accounts_user; django.contrib.auth asks nothing more of whom a request comes from."""

    id = models.UUIDField(primary_key=True)
    username = models.CharField(max_length=150)
    display_name = models.CharField(max_length=120)
    is_active = models.BooleanField()
    is_authenticated = True

    class Meta:
        managed, db_table = False, "accounts_user"

    def __str__(self) -> str:
        return self.display_name or self.username


class Membership(Kept):
    user = models.ForeignKey(Person, PROTECT, related_name="memberships")
    branch = models.ForeignKey(Branch, PROTECT)

    class Meta:
        managed, db_table = False, "accounts_membership"


class Application(models.Model):
    user = models.ForeignKey(Person, PROTECT)

    class Meta:
        managed, db_table = False, "oauth2_provider_application"


class Token(models.Model):
    token_checksum = models.CharField(max_length=64)
    expires = models.DateTimeField()
    application = models.ForeignKey(Application, PROTECT)

    class Meta:
        managed, db_table = False, "oauth2_provider_accesstoken"


class Frame(Kept):
    sku = models.CharField(max_length=40)
    name = models.CharField(max_length=120)
    colour = models.CharField(max_length=60)
    material = models.CharField(max_length=20)
    mount = models.CharField(max_length=20)
    box_width_mm = models.DecimalField(max_digits=5, decimal_places=2)
    box_height_mm = models.DecimalField(max_digits=5, decimal_places=2)
    bridge_mm = models.DecimalField(max_digits=5, decimal_places=2)
    effective_diameter_mm = models.DecimalField(max_digits=5, decimal_places=2, null=True)

    class Meta:
        managed, db_table = False, "catalogue_frame"


class LensProduct(Kept):
    sku = models.CharField(max_length=40)
    name = models.CharField(max_length=120)
    kind = models.CharField(max_length=20)

    class Meta:
        managed, db_table = False, "catalogue_lensproduct"


class Customer(Kept):
    branch = models.ForeignKey(Branch, PROTECT)
    given_name = models.CharField(max_length=80)
    family_name = models.CharField(max_length=80)
    search_given = models.CharField(max_length=80)
    search_family = models.CharField(max_length=80)
    birth_date = models.DateField(null=True)
    email = models.CharField(max_length=254, blank=True)
    phone = models.CharField(max_length=40, blank=True)
    phone_e164 = models.CharField(max_length=16, blank=True)
    address = models.TextField(blank=True)
    postcode = models.CharField(max_length=12, blank=True)
    country = models.CharField(max_length=2, blank=True)
    language = models.CharField(max_length=10, blank=True)
    guardian = models.ForeignKey("self", PROTECT, null=True, related_name="wards")
    is_sight_impaired = models.BooleanField(default=False)
    preferred_channel = models.CharField(max_length=10)
    wants_recalls = models.BooleanField(default=True)
    wants_marketing = models.BooleanField(default=False)
    deceased_on = models.DateField(null=True)
    moved_away_on = models.DateField(null=True)
    contact_confirmed_on = models.DateField(null=True)
    merged_into = models.ForeignKey("self", PROTECT, null=True, related_name="merged")
    restricted_at = models.DateTimeField(null=True)
    erased_at = models.DateTimeField(null=True)
    note = models.TextField(blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        managed, db_table, ordering = False, "customers_customer", ["-id"]


class Refusal(Kept):
    customer = models.ForeignKey(Customer, PROTECT, related_name="refusals")
    way = models.CharField(max_length=10)
    purpose = models.CharField(max_length=10)

    class Meta:
        managed, db_table = False, "customers_contactrefusal"


class WrongAddress(Kept):
    customer = models.ForeignKey(Customer, PROTECT, related_name="wrong_addresses")
    way = models.CharField(max_length=10)

    class Meta:
        managed, db_table = False, "customers_wrongaddress"


class Prescription(Kept):
    branch = models.ForeignKey(Branch, PROTECT)
    customer = models.ForeignKey(Customer, PROTECT)
    purpose = models.CharField(max_length=20)
    issued_on = models.DateField()
    expires_on = models.DateField()
    expiry_source = models.CharField(max_length=200)
    prescriber_name = models.CharField(max_length=120)
    prescriber_registration = models.CharField(max_length=40)
    prescriber_practice = models.CharField(max_length=200)
    recall_months = models.PositiveSmallIntegerField(null=True)
    vertex_distance_mm = models.DecimalField(max_digits=4, decimal_places=1, null=True)
    note = models.TextField()
    supersedes = models.OneToOneField("self", PROTECT, null=True, related_name="superseded_by")
    amendment_reason = models.CharField(max_length=300)
    recorded_by = models.ForeignKey(Person, PROTECT, null=True)

    class Meta:
        managed, db_table, ordering = False, "prescriptions_prescription", ["-id"]


class PrescribedEye(Kept):
    prescription = models.ForeignKey(Prescription, PROTECT, related_name="eyes")
    eye = models.CharField(max_length=5)
    entry = models.CharField(max_length=10)
    sphere_dpt = models.DecimalField(max_digits=5, decimal_places=2, null=True)
    cylinder_dpt = models.DecimalField(max_digits=5, decimal_places=2)
    axis_deg = models.PositiveSmallIntegerField(null=True)
    addition_dpt = models.DecimalField(max_digits=4, decimal_places=2, null=True)

    class Meta:
        managed, db_table = False, "prescriptions_prescribedeye"


class PrescribedPrism(Kept):
    eye = models.ForeignKey(PrescribedEye, PROTECT, related_name="prisms")
    amount_dpt = models.DecimalField(max_digits=4, decimal_places=2)
    base = models.CharField(max_length=4)
    base_deg = models.DecimalField(max_digits=4, decimal_places=1, null=True)

    class Meta:
        managed, db_table = False, "prescriptions_prescribedprism"


class DispensingOverride(Kept):
    prescription = models.ForeignKey(Prescription, PROTECT, related_name="overrides")
    reason = models.CharField(max_length=500)
    granted_by = models.ForeignKey(Person, PROTECT, null=True)
    valid_until = models.DateField()

    class Meta:
        managed, db_table, ordering = False, "prescriptions_dispensingoverride", ["-id"]


class Order(Kept):
    branch = models.ForeignKey(Branch, PROTECT)
    number = models.CharField(max_length=40)
    customer = models.ForeignKey(Customer, PROTECT)
    prescription = models.ForeignKey(Prescription, PROTECT)
    measurement_id = models.UUIDField()
    frame = models.ForeignKey(Frame, PROTECT)
    frame_is_customers = models.BooleanField()
    purpose = models.CharField(max_length=12)
    state = models.CharField(max_length=12)
    placed_at = models.DateTimeField()
    promised_on = models.DateField()
    replaces = models.ForeignKey("self", PROTECT, null=True, related_name="replacements")
    replacement_reason = models.CharField(max_length=300)
    ready_at = models.DateTimeField(null=True)
    collected_at = models.DateTimeField(null=True)
    cancelled_reason = models.CharField(max_length=300)
    currency = models.CharField(max_length=3)
    total = models.DecimalField(max_digits=10, decimal_places=2)
    tax_total = models.DecimalField(max_digits=10, decimal_places=2)
    promotion_code = models.CharField(max_length=20)
    quotation_id = models.UUIDField(null=True)
    computation = models.JSONField()
    warnings = models.JSONField()
    note = models.TextField()
    version = models.PositiveIntegerField()

    class Meta:
        managed, db_table, ordering = False, "orders_order", ["-id"]


class Promise(Kept):
    order = models.ForeignKey(Order, PROTECT, related_name="promises")
    promised_on = models.DateField()
    reason = models.CharField(max_length=300)
    basis = models.JSONField()
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(Person, PROTECT, null=True)

    class Meta:
        managed, db_table, ordering = False, "orders_promise", ["id"]


class OrderedLens(Kept):
    order = models.ForeignKey(Order, PROTECT, related_name="lenses")
    eye = models.CharField(max_length=5)
    product = models.ForeignKey(LensProduct, PROTECT)
    sphere_dpt = models.DecimalField(max_digits=5, decimal_places=2)
    cylinder_dpt = models.DecimalField(max_digits=5, decimal_places=2)
    axis_deg = models.PositiveSmallIntegerField(null=True)
    addition_dpt = models.DecimalField(max_digits=4, decimal_places=2, null=True)
    prism_in_dpt = models.DecimalField(max_digits=5, decimal_places=2)
    prism_up_dpt = models.DecimalField(max_digits=5, decimal_places=2)
    centration_distance_mm = models.DecimalField(max_digits=4, decimal_places=1)
    centration_height_mm = models.DecimalField(max_digits=4, decimal_places=1)
    is_special_order = models.BooleanField()

    class Meta:
        managed, db_table, ordering = False, "orders_orderedlens", ["-eye"]


class OrderLine(Kept):
    order = models.ForeignKey(Order, PROTECT, related_name="lines")
    position = models.PositiveSmallIntegerField()
    kind = models.CharField(max_length=20)
    eye = models.CharField(max_length=5)
    sku = models.CharField(max_length=40)
    description = models.CharField(max_length=200)
    quantity = models.PositiveSmallIntegerField()
    unit_price = models.DecimalField(max_digits=10, decimal_places=2)
    discount = models.DecimalField(max_digits=10, decimal_places=2)
    discount_reason = models.CharField(max_length=200)
    gross = models.DecimalField(max_digits=10, decimal_places=2)
    tax_category = models.CharField(max_length=20)
    tax_rate_percent = models.DecimalField(max_digits=5, decimal_places=2)
    tax = models.DecimalField(max_digits=10, decimal_places=2)
    price_list_id = models.UUIDField(null=True)
    reasons = models.JSONField()

    class Meta:
        managed, db_table, ordering = False, "orders_orderline", ["position"]


class Bench(Kept):
    code = models.CharField(max_length=12)

    class Meta:
        managed, db_table = False, "workshop_bench"


class Job(Kept):
    branch = models.ForeignKey(Branch, PROTECT)
    number = models.CharField(max_length=40)
    order = models.ForeignKey(Order, PROTECT)
    attempt = models.PositiveSmallIntegerField()
    state = models.CharField(max_length=12)
    stop_reason = models.CharField(max_length=300)
    remake_reason = models.CharField(max_length=300)
    remake_cause = models.CharField(max_length=40)
    remake_borne_by = models.CharField(max_length=20)
    remake_cost = models.DecimalField(max_digits=10, decimal_places=2, null=True)
    awaits_frame = models.BooleanField()
    eyes = models.JSONField()
    awaited_eyes = models.JSONField()
    cut_eyes = models.JSONField()
    promised_on = models.DateField()
    holder = models.ForeignKey(Person, PROTECT, null=True)
    held_since = models.DateTimeField(null=True)
    bench = models.ForeignKey(Bench, PROTECT, null=True)
    finished_at = models.DateTimeField(null=True)
    version = models.PositiveIntegerField()

    class Meta:
        managed, db_table, ordering = False, "workshop_job", ["-id"]


class JobStep(Kept):
    job = models.ForeignKey(Job, PROTECT, related_name="steps")
    position = models.PositiveSmallIntegerField()
    kind = models.CharField(max_length=20)
    state = models.CharField(max_length=10)
    started_at = models.DateTimeField(null=True)
    started_by = models.ForeignKey(Person, PROTECT, null=True, related_name="+")
    done_at = models.DateTimeField(null=True)
    by = models.ForeignKey(Person, PROTECT, null=True, related_name="+")
    note = models.CharField(max_length=300)

    class Meta:
        managed, db_table, ordering = False, "workshop_jobstep", ["position"]


class LensReading(Kept):
    job = models.ForeignKey(Job, PROTECT, related_name="readings")
    eye = models.CharField(max_length=5)
    sphere_dpt = models.DecimalField(max_digits=5, decimal_places=2)
    cylinder_dpt = models.DecimalField(max_digits=5, decimal_places=2)
    axis_deg = models.PositiveSmallIntegerField(null=True)
    addition_dpt = models.DecimalField(max_digits=4, decimal_places=2, null=True)
    prism_in_dpt = models.DecimalField(max_digits=5, decimal_places=2)
    prism_up_dpt = models.DecimalField(max_digits=5, decimal_places=2)
    outcome = models.CharField(max_length=20)
    standard = models.CharField(max_length=60)
    standard_version = models.CharField(max_length=20)
    verdict = models.JSONField()
    instrument_id = models.UUIDField(null=True)
    instrument_flag = models.CharField(max_length=40)
    of_current_lens = models.BooleanField()
    read_at = models.DateTimeField()
    read_by = models.ForeignKey(Person, PROTECT, null=True)

    class Meta:
        managed, db_table, ordering = False, "workshop_lensreading", ["id"]


class Breakage(Kept):
    job = models.ForeignKey(Job, PROTECT, related_name="breakages")
    eye = models.CharField(max_length=5)
    step = models.CharField(max_length=20)
    cause = models.CharField(max_length=40)
    borne_by = models.CharField(max_length=20)
    reason = models.CharField(max_length=300)
    replaced = models.BooleanField()
    cost = models.DecimalField(max_digits=10, decimal_places=2, null=True)
    currency = models.CharField(max_length=3)
    by = models.ForeignKey(Person, PROTECT, null=True)

    class Meta:
        managed, db_table, ordering = False, "workshop_breakage", ["id"]


class StockItem(Kept):
    kind = models.CharField(max_length=10)
    frame = models.ForeignKey(Frame, PROTECT, null=True)
    lens = models.ForeignKey(LensProduct, PROTECT, null=True)
    sphere_dpt = models.DecimalField(max_digits=5, decimal_places=2, null=True)
    cylinder_dpt = models.DecimalField(max_digits=5, decimal_places=2, null=True)

    class Meta:
        managed, db_table = False, "stock_stockitem"


class Lot(Kept):
    branch = models.ForeignKey(Branch, PROTECT)
    item = models.ForeignKey(StockItem, PROTECT)
    code = models.CharField(max_length=40)
    unit_cost = models.DecimalField(max_digits=10, decimal_places=2)
    on_hand = models.IntegerField()
    reserved = models.IntegerField()
    in_transit = models.IntegerField()
    is_quarantined = models.BooleanField()
    quarantine_reason = models.CharField(max_length=200)

    class Meta:
        managed, db_table, ordering = False, "stock_lot", ["-id"]


class Payment(Kept):
    branch = models.ForeignKey(Branch, PROTECT)
    order = models.ForeignKey(Order, PROTECT)
    kind = models.CharField(max_length=20)
    method = models.CharField(max_length=20)
    amount = models.DecimalField(max_digits=10, decimal_places=2)
    currency = models.CharField(max_length=3)
    reference = models.CharField(max_length=60)
    refunds = models.ForeignKey("self", PROTECT, null=True)
    reason = models.CharField(max_length=300)
    till_day_id = models.UUIDField(null=True)
    voucher_id = models.UUIDField(null=True)
    lowers_price = models.BooleanField()
    taken_at = models.DateTimeField()
    taken_by = models.ForeignKey(Person, PROTECT, null=True)

    class Meta:
        managed, db_table, ordering = False, "billing_payment", ["-id"]


class Receipt(Kept):
    payment = models.OneToOneField(Payment, PROTECT, related_name="receipt")
    number = models.CharField(max_length=40)

    class Meta:
        managed, db_table = False, "billing_receipt"


class Event(Kept):
    type = models.CharField(max_length=80)
    subject = models.CharField(max_length=120)
    branch_id = models.UUIDField(null=True)
    actor_id = models.UUIDField(null=True)
    actor_label = models.CharField(max_length=200, default="")
    data = models.JSONField()
    request_id = models.CharField(max_length=64, default="")
    traceparent = models.CharField(max_length=60, default="")

    class Meta:
        managed, db_table = False, "core_outboxevent"


class Delivery(Kept):
    event_id = models.UUIDField()
    handler = models.CharField(max_length=80)
    state = models.CharField(max_length=10, default="pending")
    attempts = models.IntegerField(default=0)
    due_at = models.DateTimeField(default=timezone.now)
    last_error = models.TextField(default="")

    class Meta:
        managed, db_table = False, "core_eventdelivery"
