from django.db import migrations

from opticshop.core.statements import Statements

INDEX = """CREATE INDEX CONCURRENTLY customers_name_words ON customers_customer
USING gin (customers_name_words(branch_id, search_family, search_given)) WITH (fastupdate = off)"""


class Migration(migrations.Migration):
    # Where it was broken off, PostgreSQL keeps an invalid index of that name: drop it, then migrate again.
    atomic = False
    dependencies = [("customers", "0004_words_of_names")]

    operations = [
        Statements(
            {"postgresql": [INDEX]},
            {"postgresql": ["DROP INDEX CONCURRENTLY customers_name_words"]},
        )
    ]
