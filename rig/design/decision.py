"""How near to its limit a reading may lie and still be judged: the kit's decision rule."""

from typing import Annotated

from pydantic import Field

from rig.files.tables import Table
from rig.statistics.conformity import Rule


class Decision(Table):
    """`[decision]` of a kit. What is too near to a limit to tell is void: nothing is proved."""

    #: simple: the limit itself decides; guarded: a guard band; risk: a greatest probability of false acceptance.
    rule: Rule = "simple"
    #: Of "guarded": the guard band as a part of the expanded uncertainty (k = 2).
    guard: Annotated[float, Field(ge=0, le=2)] = 1.0
    #: Of "risk": how probable it may be that what is accepted does not conform.
    false_acceptance: Annotated[float, Field(gt=0, lt=0.5)] = 0.025

    def words(self) -> str:
        """The rule as it is reported on the certificate."""
        if self.rule == "guarded":
            return f"guard band of {self.guard:g} times the expanded uncertainty (k = 2) on both sides of a limit"
        if self.rule == "risk":
            return f"probability of false acceptance at most {100 * self.false_acceptance:g} % for each reading"
        return "simple acceptance: the limit itself decides, uncertainty is told but not taken off"
