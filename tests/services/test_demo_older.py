"""A demo whose database is of an older shape: its next start brings it forward."""

from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from alembic import command
from sqlalchemy import text
from sqlalchemy.orm import Session

from spoolkeep.services.demo import AS_IT_WAS, BUILT, prepare
from spoolkeep.services.instance import Instance
from spoolkeep.store.engine import open_store
from spoolkeep.store.seeds import sow
from spoolkeep.store.upgrade import alembic_config

NOW = datetime(2026, 11, 25, 9, tzinfo=UTC)
OF_WORKSHOP = (
    *("closes_hour", "earns_minor_per_hour", "rest_mg", "risk_ppm"),
    *("hour_cost_minor", "space_minor_a_month", "change_seconds", "cost_flow"),
    *("order_seconds", "idle_ppm", "idle_busy_ppm", "busy_months", "late_minor", "budget_minor", "shelf_spools"),
    *("public_address", "mail_host", "mail_port", "mail_safety", "mail_user", "mail_from"),
)
NAMED = {
    "article": "material_id, colour_id, diameter_um",
    "place": "site_id, name",
    "machine": "name",
    "product": "name",
    "supplier": "name",
}
BACK_TO_0015 = (
    "DROP INDEX ix_job_machine_id_ended_at",
    *(f"DROP INDEX uq_{table}_used_{columns.replace(', ', '_')}" for table, columns in NAMED.items()),
    *(
        f"CREATE UNIQUE INDEX uq_{table}_live_{columns.replace(', ', '_')} ON {table} ({columns}) WHERE live"
        for table, columns in NAMED.items()
    ),
    *(f"DROP TABLE {table}" for table in ("item_move", "former_name")),
    *(f"DROP INDEX ix_{table}_now_id" for table in ("article", "supplier")),
    *(f"ALTER TABLE {column}" for column in ("article DROP now_id", "supplier DROP now_id")),
    *(f"ALTER TABLE {column}" for column in ("article DROP srgb", "place DROP retired")),
)
BACK_TO_0003 = (
    *BACK_TO_0015,
    *(f"ALTER TABLE spool DROP COLUMN {name}" for name in ("air_from", "air_s", "dryer_from")),
    *(f"ALTER TABLE {column}" for column in ("feed DROP keeps_dry", "material DROP live")),
    *(f"DROP TABLE {table}" for table in ("notice_matter", "notice", "addressee")),
    *(f"DROP TABLE {table}" for table in ("kept_on", "change_purge", "bin_weighing", "credit", "product_order")),
    *(f"ALTER TABLE supplier DROP COLUMN {name}" for name in ("order_days", "lead_spread_days")),
    *(f'ALTER TABLE "order" DROP COLUMN {name}' for name in ("needed_by", "needed_said")),
    "ALTER TABLE article DROP COLUMN risk_ppm",
    *(f"ALTER TABLE workshop DROP COLUMN {name}" for name in OF_WORKSHOP),
    "ALTER TABLE workshop ADD COLUMN minute_cost_minor INTEGER",
    "DROP INDEX ix_takings_line_product_id",
    *(f"ALTER TABLE takings_line DROP COLUMN {name}" for name in ("product_id", "pieces", "foreign_minor")),
    *(f"ALTER TABLE stop DROP COLUMN {name}" for name in ("by_itself", "corrected")),
    *(f"ALTER TABLE material DROP COLUMN {name}" for name in ("asks_enclosed", "asks_hardened")),
    *(f"ALTER TABLE {column}" for column in ("machine DROP self_starting", "feed DROP switches")),
    "DROP INDEX ix_job_resumes_id",
    *(f"ALTER TABLE {column}" for column in ("job DROP resumes_id", "job DROP assumed", "machine DROP silent")),
    "DROP INDEX ix_job_motion_file_id",
    "DROP INDEX ix_job_again_of_id",
    *(f"ALTER TABLE job DROP COLUMN failed_{name}_ppm" for name in ("until", "from")),
    *(f"ALTER TABLE job DROP COLUMN {name}" for name in ("motion_file_id", "again_of_id")),
    "ALTER TABLE job_feed DROP COLUMN tool",
    *(f"DROP TABLE {table}" for table in ("motion_tool", "motion_file", "import_draft", "import_names")),
    *(f"DROP TABLE {table}" for table in ("walker", "sighting", "walked_place", "walk", "label_stock", "basket_break")),
    "ALTER TABLE half_scan DROP COLUMN digits",
    "ALTER TABLE workshop DROP COLUMN usual_stock",
    "UPDATE alembic_version SET version_num = '0003'",
)


def test_a_demo_of_an_older_shape_is_brought_forward_by_its_next_start(tmp_path: Path) -> None:
    with closing(open_store(f"sqlite:///{tmp_path / 'spoolkeep.sqlite'}")) as old, old.engine.begin() as connection:
        command.upgrade(alembic_config(connection), "head")
        with Session(connection) as session:
            sow(session, now=NOW)
            session.commit()
    with closing(open_store(f"sqlite:///{tmp_path / 'spoolkeep.sqlite'}")) as old, old.engine.begin() as connection:
        for words in BACK_TO_0003:
            connection.execute(text(words))
    assert prepare(Instance(tmp_path), now=NOW, days=3) == BUILT
    assert list((tmp_path / "backups").iterdir())
    assert prepare(Instance(tmp_path), now=NOW, days=3) == AS_IT_WAS
