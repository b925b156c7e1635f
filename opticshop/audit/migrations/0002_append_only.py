"""What was written down stays: no row of the trail is changed or deleted, and PostgreSQL empties none of its tables."""

from django.db import migrations

from opticshop.core.append_only import append_only
from opticshop.core.statements import Statements

TABLES = ("audit_auditentry", "audit_auditread", "audit_auditreadsubject", "audit_auditseal")

FORWARDS = [
    f"CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} FOR EACH STATEMENT EXECUTE FUNCTION {table}_refuse()"
    for table in TABLES
]
BACKWARDS = [f"DROP TRIGGER {table}_no_truncate ON {table}" for table in TABLES]


class Migration(migrations.Migration):
    dependencies = [("audit", "0001_initial")]

    operations = [append_only(*TABLES), Statements({"postgresql": FORWARDS}, {"postgresql": BACKWARDS})]
