"""The first tables: runs with what belongs to them, notes, and what was delivered."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

TEXT = sa.Text(collation="C")


def upgrade() -> None:
    """Make them."""
    _make_runs()
    _make_what_belongs_to_runs()
    _make_notes_and_deliveries()


def _make_runs() -> None:
    op.create_table(
        "runs",
        sa.Column("id", sa.Integer, sa.Identity(always=True), primary_key=True),
        *_texts("kit", "serial", "serial_stem"),
        sa.Column("serial_number", sa.BigInteger),
        *_texts("run"),
        sa.Column("run_number", sa.Integer, nullable=False),
        *_texts("ordered", "revision", "kit_sha256", "plan", "by", "batch", "bench", "day", "started_at"),
        *_texts("finished_at", "outcome", "stopped", "wrong"),
        *_flags("bench_failed", "reworked"),
        sa.Column("runs_untouched", sa.Integer, nullable=False),
        *_numbers("sound_s", "cycle_s", "operator_s"),
        *_texts("software"),
        sa.UniqueConstraint("kit", "serial", "run"),
    )
    op.create_index("runs_ordered", "runs", ["ordered", "run"])
    op.create_index("runs_of_kit", "runs", ["kit", "ordered", "run"])
    op.create_index("runs_of_number", "runs", ["serial_stem", "serial_number"])
    op.create_index("runs_of_serial", "runs", ["serial"])
    op.create_index("runs_by_outcome", "runs", ["outcome", "ordered", "run"])


def _make_what_belongs_to_runs() -> None:
    op.create_table("checks", *_of_run(), *_texts("check", "title", "outcome", "reason"))
    op.create_index("checks_by_name", "checks", ["check", "outcome", "run_id"])
    op.create_table(
        "readings",
        *_of_run(),
        *_texts("check", "quantity", "subject", "kind"),
        *_numbers("value"),
        *_texts("unit"),
        *_numbers("uncertainty"),
        sa.Column("outcome", TEXT),
        *_numbers("lower", "upper", "margin", "at_hz"),
        *_texts("limit"),
        *_numbers("conformity"),
        *_texts("reason", "said"),
        *_flags("at_most"),
    )
    op.create_table(
        "findings",
        *_of_run(),
        *_texts("kind", "part", "words"),
        *_numbers("probability"),
        *_texts("channel"),
        *_flags("also_possible"),
    )
    op.create_table("calibrations", *_of_run(), *_texts("kind", "made_at", "bench"))


def _make_notes_and_deliveries() -> None:
    op.create_table("reworks", *_keys("kit", "serial", "note"), *_texts("at", "words", "by", "after"))
    op.create_table(
        "archived",
        *_keys("kit", "serial", "run", "at"),
        *_texts("rule", "pack"),
        sa.Column("captures", sa.Integer, nullable=False),
    )
    op.create_table(
        "deliveries",
        *_keys("chain"),
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
        *_texts("bench", "closed_at", "path", "sha256", "before_sha256", "lost"),
        sa.Column("delivered_at", sa.DateTime(timezone=True), nullable=False, server_default=sa.func.now()),
    )
    op.create_index("deliveries_of_path", "deliveries", ["path"])


def _of_run() -> list[sa.Column[int]]:
    of_run = sa.Column("run_id", sa.Integer, sa.ForeignKey("runs.id"), primary_key=True, autoincrement=False)
    return [of_run, sa.Column("place", sa.Integer, primary_key=True, autoincrement=False)]


def _keys(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, TEXT, primary_key=True) for name in names]


def _texts(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, TEXT, nullable=False) for name in names]


def _flags(*names: str) -> list[sa.Column[bool]]:
    return [sa.Column(name, sa.Boolean, nullable=False) for name in names]


def _numbers(*names: str) -> list[sa.Column[float]]:
    return [sa.Column(name, sa.Double) for name in names]
