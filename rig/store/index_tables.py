"""The tables of the index: what is known of every run, made from the folders alone and thrown away at any moment."""

import sqlalchemy as sa

TABLES = sa.MetaData()
#: Whatever a table means is in its number: an index of another is made anew; by definition.
VERSION = 1
#: What SQLite keeps at the head of a file that is an index of ours ("kitp"); by definition.
APPLICATION_ID = 0x6B697470


def _of_run() -> list[sa.Column[int]]:
    """Which run a row is of, and its place among the run's."""
    return [
        sa.Column("run_id", sa.Integer, sa.ForeignKey("runs.id"), primary_key=True, autoincrement=False),
        sa.Column("place", sa.Integer, primary_key=True, autoincrement=False),
    ]


#: Text that sorts by its bytes on a server as it does in SQLite, whatever language the server speaks.
TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def text_column(name: str, *, is_key: bool = False) -> sa.Column[str]:
    """A column of text; nothing known is empty."""
    return sa.Column(name, TEXT, primary_key=is_key, nullable=False)


def _flag(name: str) -> sa.Column[bool]:
    return sa.Column(name, sa.Boolean, nullable=False)


def _number(name: str) -> sa.Column[float]:
    """A number, in SI units unless the name says otherwise; none: not known, or none there."""
    return sa.Column(name, sa.Double)


#: Folders of units, and when each had last changed when it was read (ns); 0: read it again.
units = sa.Table(
    "units",
    TABLES,
    sa.Column("id", sa.Integer, primary_key=True),
    text_column("kit"),
    text_column("serial"),
    sa.Column("seen_ns", sa.BigInteger, nullable=False),
    sa.UniqueConstraint("kit", "serial"),
)

runs = sa.Table(
    "runs",
    TABLES,
    sa.Column("id", sa.Integer, sa.Identity(always=True), primary_key=True),
    text_column("kit"),
    text_column("serial"),
    #: The serial without its last number, and that number: units are in a range by the latter.
    text_column("serial_stem"),
    sa.Column("serial_number", sa.BigInteger),
    #: The name of its folder.
    text_column("run"),
    sa.Column("run_number", sa.Integer, nullable=False),
    #: What runs are listed by: the name of the run, or of an older one of the unit where a clock was set back.
    text_column("ordered"),
    text_column("revision"),
    text_column("kit_sha256"),
    text_column("plan"),
    text_column("by"),
    text_column("batch"),
    text_column("bench"),
    #: The day that it began, by the clock at the bench.
    text_column("day"),
    text_column("started_at"),
    text_column("finished_at"),
    text_column("outcome"),
    text_column("stopped"),
    #: Which checks failed or are void, or why it was stopped.
    text_column("wrong"),
    _flag("bench_failed"),
    #: Something was done to the unit since the run before.
    _flag("reworked"),
    sa.Column("runs_untouched", sa.Integer, nullable=False),
    _number("sound_s"),
    _number("cycle_s"),
    _number("operator_s"),
    #: The version of kitproof that judged it.
    text_column("software"),
    sa.UniqueConstraint("kit", "serial", "run"),
    sa.Index("runs_ordered", "ordered", "run"),
    sa.Index("runs_of_kit", "kit", "ordered", "run"),
    sa.Index("runs_of_number", "serial_stem", "serial_number"),
    sa.Index("runs_of_serial", "serial"),
    sa.Index("runs_by_outcome", "outcome", "ordered", "run"),
)

checks = sa.Table(
    "checks",
    TABLES,
    *_of_run(),
    text_column("check"),
    text_column("title"),
    text_column("outcome"),
    text_column("reason"),
    sa.Index("checks_by_name", "check", "outcome", "run_id"),
    sqlite_with_rowid=False,
)

readings = sa.Table(
    "readings",
    TABLES,
    *_of_run(),
    text_column("check"),
    text_column("quantity"),
    text_column("subject"),
    #: "number"; or "curve", then the value is where its margin is the smallest part of the mask's width.
    text_column("kind"),
    _number("value"),
    text_column("unit"),
    _number("uncertainty"),
    #: None: no limit judges it.
    sa.Column("outcome", TEXT),
    _number("lower"),
    _number("upper"),
    _number("margin"),
    _number("at_hz"),
    text_column("limit"),
    _number("conformity"),
    text_column("reason"),
    text_column("said"),
    _flag("at_most"),
    sqlite_with_rowid=False,
)

findings = sa.Table(
    "findings",
    TABLES,
    *_of_run(),
    text_column("kind"),
    text_column("part"),
    text_column("words"),
    _number("probability"),
    text_column("channel"),
    _flag("also_possible"),
    sqlite_with_rowid=False,
)

calibrations = sa.Table(
    "calibrations",
    TABLES,
    *_of_run(),
    text_column("kind"),
    text_column("made_at"),
    text_column("bench"),
    sqlite_with_rowid=False,
)

#: Notes of what was done to a unit, each in a file of its own.
reworks = sa.Table(
    "reworks",
    TABLES,
    text_column("kit", is_key=True),
    text_column("serial", is_key=True),
    text_column("note", is_key=True),
    text_column("at"),
    text_column("words"),
    text_column("by"),
    text_column("after"),
    sqlite_with_rowid=False,
)

#: Records that could not be read, when their run.json had last changed (ns), and what is wrong.
unreadable = sa.Table(
    "unreadable",
    TABLES,
    sa.Column("kit", sa.Text, primary_key=True),
    sa.Column("serial", sa.Text, primary_key=True),
    sa.Column("run", sa.Text, primary_key=True),
    sa.Column("seen_ns", sa.BigInteger, nullable=False),
    text_column("words"),
)

#: Folders of runs that have not ended, or never did, and of those that are being copied.
unfinished = sa.Table(
    "unfinished",
    TABLES,
    sa.Column("kit", sa.Text, primary_key=True),
    sa.Column("serial", sa.Text, primary_key=True),
    sa.Column("name", sa.Text, primary_key=True),
)

#: How far the folders have been read: per kit when its folder last changed (ns); how much of the hint file.
read_so_far = sa.Table(
    "read_so_far",
    TABLES,
    sa.Column("what", sa.Text, primary_key=True),
    sa.Column("mark", sa.BigInteger, nullable=False),
)

#: What a run has besides its own row.
OF_A_RUN = (checks, readings, findings, calibrations)
