"""The chart of accounts the service posts to: one table, the same for every branch.

Codes and names are ours; a company's accountant maps them to the company's own chart on import. A role is how code
names an account, so a posting never depends on a number. A new role is a new row here: it is made when first needed.
"""

from __future__ import annotations

from typing import NamedTuple


class ChartRow(NamedTuple):
    role: str
    code: str
    name: str
    kind: str


CHART: tuple[ChartRow, ...] = (
    ChartRow("cash", "1000", "Cash in tills", "asset"),
    ChartRow("card_clearing", "1010", "Card payments on their way", "asset"),
    ChartRow("bank", "1020", "Bank", "asset"),
    ChartRow("receivables", "1100", "Customers, owed to us", "asset"),
    ChartRow("scheme_claims", "1110", "Public schemes, claimed", "asset"),
    ChartRow("customer_deposits", "2000", "Deposits held for customers", "liability"),
    ChartRow("output_tax", "2100", "Tax on sales, owed", "liability"),
    ChartRow("opening_balances", "3000", "Balances taken over", "equity"),
    ChartRow("sales", "4000", "Sales, taxable", "income"),
    ChartRow("sales_exempt", "4010", "Sales, exempt", "income"),
    ChartRow("discounts", "4090", "Discounts given", "income"),
    ChartRow("forfeited_deposits", "4100", "Deposits kept", "income"),
    ChartRow("bad_debts", "5000", "Debts written off", "expense"),
    ChartRow("till_difference", "5010", "Tills over and short", "expense"),
    ChartRow("goodwill", "5020", "Goodwill to customers", "expense"),
    ChartRow("petty_cash", "5030", "Small expenses paid from tills", "expense"),
)

BY_ROLE: dict[str, ChartRow] = {row.role: row for row in CHART}
