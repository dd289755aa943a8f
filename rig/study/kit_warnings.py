"""What is to be said of a kit that loads and yet may not be meant so: looked for behind a run's first question."""

from rig.design.kit import Kit
from rig.design.plausible import implausible
from rig.study.design_misfits import excluded_by_limits
from rig.study.designed import judge_design
from rig.study.narrow_limits import narrow_limits


def kit_warnings(kit: Kit) -> tuple[str, ...]:
    """Values hardly meant, limits that the design itself does not keep to, and limits without room for good units.

    What keeps one of these from being worked out is a line too, for no run must be lost to a warning.
    """
    found: list[str] = []
    for look in (implausible, lambda kit: excluded_by_limits(judge_design(kit)), narrow_limits):
        try:
            found += look(kit)
        except Exception as error:
            found.append(f"what is odd about this kit cannot be worked out: {type(error).__name__}: {error}")
    return tuple(found)
