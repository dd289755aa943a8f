"""A probable cause of a failure."""

from dataclasses import dataclass, field

from rig.files.plain import Number, YesNo


@dataclass(frozen=True)
class Finding:
    """A probable cause of a failure."""

    #: What is wrong, in a sentence.
    words: str
    #: The kit's own name of what is wrong ("left L1").
    part: str
    #: As the dictionary calls it; "unknown" when nothing explains the failure.
    kind: str
    #: Of this cause and those in `alike` together.
    probability: Number
    #: What was found of the part, its standard uncertainty, and what it should be; NaN where there is no number.
    value: Number = float("nan")
    value_uncertainty: Number = float("nan")
    should_be: Number = float("nan")
    unit: str = ""
    where_to_look: str = ""
    what_to_measure: str = ""
    #: Other causes that no measurement of this run tells from it, likeliest first.
    alike: tuple[str, ...] = ()
    #: Channel, and parts, drivers or the other channel: what a program asks for.
    channel: str = ""
    what: tuple[str, ...] = ()
    #: The same others, as (kind, parts or drivers).
    alike_causes: tuple[tuple[str, tuple[str, ...]], ...] = field(default=())
    #: The channel has a second fault besides, which is another of the findings.
    one_of_two: YesNo = False
    #: Too improbable to be named first: it stands under "also possible".
    also_possible: YesNo = False
    #: Long loud playing did it: what was measured before does not show it.
    since_soak: YesNo = False
