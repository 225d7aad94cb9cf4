"""What to erase and program, in which order, and how long it takes: pure, no I/O."""

from spiflash.plan.cost import TransferCost
from spiflash.plan.make import make_plan
from spiflash.plan.steps import Erase, Plan, PlanError, Program, Ranges, Step, simulate

__all__ = [
    "Erase",
    "Plan",
    "PlanError",
    "Program",
    "Ranges",
    "Step",
    "TransferCost",
    "make_plan",
    "simulate",
]
