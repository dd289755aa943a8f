"""Everything that can go wrong and is told to the person at the terminal, each with the exit status that it ends in."""

#: Exit statuses of every command; by definition.
PASS, FAIL, VOID, USAGE, BENCH = 0, 1, 2, 3, 4


class KitproofError(Exception):
    """What is told to the person at the terminal: the message says what was found and what to do."""

    exit_status = USAGE


class TableError(KitproofError):
    """A file of settings or an option is missing or wrong. The message says where, what was found, what is allowed."""


class RecordError(KitproofError):
    """The store cannot do what was asked. The message names the place and says why."""


class Disagree(RecordError):
    """Builds that cannot stand for one design; the message says why."""


class PaperError(RecordError):
    """A certificate could not be made; its record is whole all the same."""


class BenchSetupError(KitproofError):
    """The bench is described wrongly. The message names file, key, what was found, what is allowed."""


class FaultError(BenchSetupError):
    """A fault that cannot be built in; the message says what was asked and what there is."""


class BenchError(KitproofError):
    """The bench could not do it. The message says what happened and what to do."""

    exit_status = BENCH


class Stopped(KitproofError):
    """The person at the bench said no."""

    exit_status = VOID
