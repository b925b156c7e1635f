"""On PostgreSQL an entry whose lines are not what it says they are cannot be committed, nor can lines be added later.

The triggers are deferred: they look when the transaction ends, when entry and lines are both there. SQLite has no such
triggers; there the service sees to the balance and ``manage.py ledger_verify`` proves it.
"""

from django.db import migrations

from opticshop.core.append_only import Statements

FUNCTION = """
CREATE FUNCTION ledger_hold_balance() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    this ledger_entry.id%TYPE;
    entry ledger_entry;
    found_lines bigint;
    found_debit numeric;
    found_credit numeric;
BEGIN
    IF TG_TABLE_NAME = 'ledger_entry' THEN this := NEW.id; ELSE this := NEW.entry_id; END IF;
    SELECT * INTO entry FROM ledger_entry WHERE id = this;
    SELECT count(*), coalesce(sum(debit), 0), coalesce(sum(credit), 0)
        INTO found_lines, found_debit, found_credit FROM ledger_line WHERE entry_id = this;
    IF (found_lines, found_debit, found_credit) IS DISTINCT FROM (entry.line_count::bigint, entry.total, entry.total) THEN
        RAISE EXCEPTION 'ledger_entry % does not balance: % lines, debit %, credit %, but it says % lines of %',
            entry.number, found_lines, found_debit, found_credit, entry.line_count, entry.total
            USING ERRCODE = 'check_violation';
    END IF;
    RETURN NULL;
END
$$
"""
TABLES = ("ledger_entry", "ledger_line")


HOLD = [
    FUNCTION,
    *(
        f"CREATE CONSTRAINT TRIGGER {table}_balance AFTER INSERT ON {table} DEFERRABLE INITIALLY DEFERRED "
        "FOR EACH ROW EXECUTE FUNCTION ledger_hold_balance()"
        for table in TABLES
    ),
]
LET_GO = [*(f"DROP TRIGGER {table}_balance ON {table}" for table in TABLES), "DROP FUNCTION ledger_hold_balance()"]


class Migration(migrations.Migration):
    dependencies = [("ledger", "0003_append_only")]

    operations = [Statements({"postgresql": HOLD}, {"postgresql": LET_GO})]
