"""A spectacle-dispensing service for optical shops with several branches."""

import sys

# Where it finds this checker of internationalised addresses, jsonschema loads it: more than a second at every start.
# No schema here asks for one.
sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]
