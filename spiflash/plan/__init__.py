"""What to erase and program, in which order, and how long it takes: pure, no I/O."""

from spiflash.plan.optimum import TransferCost
from spiflash.plan.plan import Erase, Plan, PlanError, Program, Step, make_plan, simulate

__all__ = [
    "Erase",
    "Plan",
    "PlanError",
    "Program",
    "Step",
    "TransferCost",
    "make_plan",
    "simulate",
]
