from django.db import migrations

from opticshop.core.statements import Statements

# Each word of a name, as it is and behind its branch: a search within a branch reads no other branch's names, one in
# all of them needs no branch.
WORDS = """CREATE FUNCTION customers_name_words(branch uuid, family text, given text) RETURNS tsvector
LANGUAGE sql IMMUTABLE PARALLEL SAFE AS $$
  SELECT array_to_tsvector(array_remove(string_to_array(
    family || ' ' || given || replace(' ' || family || ' ' || given, ' ', ' ' || branch::text || '/'), ' '), ''))
$$"""


class Migration(migrations.Migration):
    dependencies = [("customers", "0003_restricted_and_erased")]

    operations = [
        Statements(
            {"postgresql": [WORDS]},
            {"postgresql": ["DROP FUNCTION customers_name_words(uuid, text, text)"]},
        )
    ]
