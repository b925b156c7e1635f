"""The tables in docs/privacy.md, from the code: ``python -m tests.privacy.write_table`` writes them."""

from __future__ import annotations

import re
from pathlib import Path

FILE = Path(__file__).resolve().parents[2] / "docs" / "privacy.md"
_MARKED = re.compile(r"(<!-- (\w+) -->\n).*?(<!-- end -->)", re.DOTALL)


def written() -> str:
    """The page with its tables as the code has them."""
    from opticshop.privacy.rules import policy

    rules = [f"| {rule.kind} | `{table}` | {rule.at_erasure} | {rule.why} |" for table, rule in policy().rules.items()]
    beyond = [f"| `{table}` | {each.done} | {each.why} |" for table, each in policy().beyond.items()]
    periods = [
        f"| {each.kind} | {'any other' if each.jurisdiction == '*' else each.jurisdiction} | {each.years}"
        f"{f', to the age of {each.to_age}' if each.to_age else ''}{' (each row)' if each.of_each_row else ''} "
        f"| {each.source} | {each.confidence} |"
        for each in policy().periods
    ]
    tables = {
        "rules": ["| kind | table | at erasure | why |", "|---|---|---|---|", *rules],
        "beyond": ["| table | what erasure does | why |", "|---|---|---|", *beyond],
        "periods": ["| kind | place | years | source | confidence |", "|---|---|---|---|---|", *periods],
    }
    page = FILE.read_text(encoding="utf-8")
    return _MARKED.sub(lambda found: found[1] + "\n".join(tables[found[2]]) + "\n" + found[3], page)


if __name__ == "__main__":
    import django

    django.setup()
    FILE.write_text(written(), encoding="utf-8")
