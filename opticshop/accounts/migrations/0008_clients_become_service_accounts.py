"""A client of client credentials that was there before is a service account from now on, for a year, with any scope."""

from django.db import migrations

from opticshop.core.statements import Statements

_COLUMNS = (
    "id, created_at, name, role, scopes, expires_on, used_at, rotated_at, previous_secret, overlap_ends_at, revoked_at, "
    "application_id, user_id"
)
_FILL = """
INSERT INTO accounts_serviceaccount ({columns})
SELECT {id}, {now},
    CASE WHEN a.name = '' OR EXISTS (
        SELECT 1 FROM oauth2_provider_application o WHERE o.name = a.name AND o.id < a.id AND o.user_id IS NOT NULL
        AND o.authorization_grant_type = 'client-credentials'
    ) THEN substr(a.name, 1, 70) || ' ' || a.id ELSE substr(a.name, 1, 100) END,
    COALESCE((SELECT m.role FROM accounts_membership m WHERE m.user_id = a.user_id ORDER BY m.id LIMIT 1), 'counter'),
    NULL, {last}, NULL, a.updated, '', NULL, NULL, a.id, a.user_id
FROM oauth2_provider_application a
WHERE a.authorization_grant_type = 'client-credentials' AND a.user_id IS NOT NULL
"""


class Migration(migrations.Migration):

    dependencies = [
        ('accounts', '0007_service_accounts'),
        ('oauth2_provider', '0022_refreshtoken_token_family_index'),
    ]

    operations = [
        Statements(
            {
                "postgresql": [_FILL.format(
                    columns=_COLUMNS, id="gen_random_uuid()", now="now()", last="CURRENT_DATE + 366"
                )],
                "sqlite": [_FILL.format(
                    columns=_COLUMNS,
                    id="lower(hex(randomblob(16)))",
                    now="strftime('%Y-%m-%d %H:%M:%f', 'now')",
                    last="date('now', '+366 days')",
                )],
            },
            {vendor: ["DELETE FROM accounts_serviceaccount"] for vendor in ("postgresql", "sqlite")},
        ),
    ]
