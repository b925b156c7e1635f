"""Replay the history of a branch under computed levels and under the same few pieces everywhere."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from opticshop.branches.models import Branch
from opticshop.catalogue.models import LensProduct
from opticshop.core.actor import system
from opticshop.core.errors import DomainError
from opticshop.replenishment.parameters import Parameters
from opticshop.replenishment.services import simulate


class Command(BaseCommand):
    help = "Replay a branch's demand under computed levels and under a fixed number of every power; writes nothing."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("branch", help="code of the branch")
        parser.add_argument("--lens", action="append", default=[], help="code of a lens product; all kept, if left out")
        parser.add_argument("--service", default="0.95", help="service aimed at, between 0 and 1")
        parser.add_argument("--kind", choices=["fill", "cycle"], default="fill", help="what the service is a share of")
        parser.add_argument("--weeks", type=int, default=52, help="weeks of history that levels are learned from")
        parser.add_argument("--replay-weeks", type=int, default=26, help="weeks replayed, the last ones")
        parser.add_argument("--review-days", type=int, default=7, help="days from one ordering to the next")
        parser.add_argument("--lead-days", type=int, default=7, help="days to a delivery where no supplier says")
        parser.add_argument("--baseline", type=int, default=2, help="pieces of every power to compare with")
        parser.add_argument("--drawn", action="store_true", help="draw demand from the models instead of replaying it")
        parser.add_argument("--seed", type=int, default=0, help="of the drawing")
        parser.add_argument("--lost", action="store_true", help="customers who find nothing leave")

    def handle(self, *args: Any, **options: Any) -> None:
        branch = Branch.objects.filter(code=options["branch"]).first()
        if branch is None:
            raise CommandError(f"There is no branch {options['branch']}.")
        lenses = list(LensProduct.objects.filter(sku__in=options["lens"]).order_by("sku"))
        unknown = sorted(set(options["lens"]) - {lens.sku for lens in lenses})
        if unknown:
            raise CommandError(f"There is no lens {', '.join(unknown)}.")
        try:
            service = Decimal(options["service"])
        except InvalidOperation as error:
            raise CommandError(f"{options['service']} is no service level.") from error
        if not 0 < service < 1 or min(options[name] for name in ("weeks", "replay_weeks", "review_days")) < 1:
            raise CommandError("A service lies between 0 and 1; weeks and days count from 1.")
        try:
            simulation = simulate(
                actor=system("replenishment_simulate"),
                branch=branch,
                lenses=lenses,
                parameters=Parameters(
                    service=service,
                    kind=options["kind"],
                    weeks=options["weeks"],
                    review_days=options["review_days"],
                    lead_days=options["lead_days"],
                ),
                replay_weeks=options["replay_weeks"],
                baseline_level=options["baseline"],
                demand="drawn" if options["drawn"] else "history",
                seed=options["seed"],
                customers_wait=not options["lost"],
            )
        except DomainError as error:
            raise CommandError(error.detail) from error
        self.stdout.write(simulation.sentence)
        self.stdout.write(f"{'':24}{'computed levels':>18}{f'{simulation.baseline_level} of everything':>18}")
        for name, value in _TABLE:
            self.stdout.write(f"{name:24}{value(simulation.policy):>18}{value(simulation.baseline):>18}")


_TABLE: tuple[tuple[str, Any], ...] = (
    ("fill rate", lambda outcome: f"{outcome.fill_rate:.1%}"),
    ("powers kept", lambda outcome: str(outcome.cells_kept)),
    ("days of a power short", lambda outcome: str(outcome.stock_out_days)),
    ("pieces in the drawers", lambda outcome: f"{outcome.average_pieces:.1f}"),
    ("money tied up", lambda outcome: f"{outcome.average_value:.2f}"),
    ("orders", lambda outcome: str(outcome.orders)),
    ("order lines", lambda outcome: str(outcome.order_lines)),
)
