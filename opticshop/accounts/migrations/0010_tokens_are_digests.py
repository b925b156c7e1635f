"""What was kept of tokens goes, their digests stay: they open as before, and what lies here opens nothing.

Codes on their way, which live a minute, and the sessions of before, which are not looked at any more, go with it: who
is signed in by browser signs in once more. This cannot be taken back, and need not be: tokens are found by digest.
"""

from django.db import migrations

from opticshop.core.statements import Statements

_STATEMENTS = [
    "UPDATE oauth2_provider_accesstoken SET token = '' WHERE token <> ''",
    "UPDATE oauth2_provider_refreshtoken SET token = '' WHERE token <> ''",
    "DELETE FROM oauth2_provider_grant",
    "DELETE FROM django_session",
]


class Migration(migrations.Migration):

    dependencies = [
        ('accounts', '0009_operator_pins'),
        ('oauth2_provider', '0022_refreshtoken_token_family_index'),
        ('sessions', '0001_initial'),
    ]

    operations = [Statements({vendor: _STATEMENTS for vendor in ("postgresql", "sqlite")}, {})]
