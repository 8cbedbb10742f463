"""The command line does the main job from a terminal, and says in a sentence what it cannot do."""

import io
import json
import re
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from datetime import datetime
from pathlib import Path
from shutil import copytree

import pypdfium2
import pytest
import zxingcpp
from sqlalchemy import update

from spoolkeep.cli import main
from spoolkeep.domain.words import DigestWhen, NoticeWay
from spoolkeep.services.notices import addressees
from spoolkeep.services.notices.addressees import Wants
from spoolkeep.services.notices.matters import About
from spoolkeep.store.engine import Store, open_store
from spoolkeep.store.tables import Notice
from spoolkeep.web.lock import LOOPBACK
from spoolkeep.web.serving import reach_of
from tests.services import postbox

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Run:
    """Give a terminal: it answers with the exit code and what was said."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("SPOOLKEEP_DATABASE", raising=False)

    def do(*words: str) -> tuple[int, str, str]:
        monkeypatch.setattr("sys.argv", ["spoolkeep", *words])
        try:
            main()
            code = 0
        except SystemExit as stop:
            code = int(stop.code or 0)
        said = capsys.readouterr()
        return code, said.out, said.err

    return do


@pytest.fixture
def demo(run: Run, small_demo: Path) -> Path:
    """Give the database of a demo with a short history."""
    del run  # it goes to an empty folder first
    copytree(small_demo, "demo")
    return Path("demo/spoolkeep.sqlite").resolve()


def test_the_demo_is_built_once_and_sound(run: Run) -> None:
    assert "built anew" in run("demo", "--build-only", "--days", "4", "--instance", "demo")[1]
    assert "as it was" in run("demo", "--build-only", "--instance", "demo")[1]
    assert run("check", "--instance", "demo")[:2] == (0, "The books are sound.\n")


def test_check_fails_and_says_where_after_a_copy_was_changed(run: Run, demo: Path) -> None:
    with closing(sqlite3.connect(demo)) as connection, connection:
        connection.execute("UPDATE day_total SET mg = mg + 1 WHERE rowid = 5")
    code, said, _ = run("check", "--instance", "demo", "--json")
    assert code == 1
    assert "day_total" in json.loads(said)["first_difference"]


def test_a_newer_database_is_refused_with_what_to_do(run: Run, demo: Path) -> None:
    with closing(sqlite3.connect(demo)) as connection, connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    code, _, said = run("runout", "--instance", "demo")
    assert code == 2
    assert "newer one made it" in said


def test_an_instance_that_is_not_there_is_refused_with_the_command_that_makes_it(run: Run) -> None:
    code, _, said = run("runout", "--instance", "nowhere")
    assert code == 2
    assert "spoolkeep upgrade" in said


def test_runout_prints_units_in_its_keys(run: Run, demo: Path) -> None:
    del demo
    figures = json.loads(run("runout", "--instance", "demo", "--json")[1])
    first = figures["items"][0]
    assert {"left_mg", "drawn_mg_a_day", "days_of_stock", "run_out_on", "order_by"} <= set(first)
    days = [one["days_of_stock"]["p50"] for one in figures["items"] if one["days_of_stock"]["p50"] is not None]
    assert days == sorted(days)


def test_reorder_writes_a_sheet_a_supplier_that_adds_up(run: Run, demo: Path) -> None:
    del demo
    told = json.loads(run("reorder", "--instance", "demo", "--json")[1])
    run("reorder", "--instance", "demo", "--pdf", "sheets", "--csv", "sheets", "--xlsx", "sheets")
    suppliers = {one["supplier"] for one in told["suppliers"] if one["order_now"]}
    assert all(len(list(Path("sheets").glob(f"*.{kind}"))) == len(suppliers) for kind in ("pdf", "csv", "xlsx"))
    assert all(one["spools"] * one["price_minor"] == one["total_minor"] for one in told["items"] if one["supplier"])
    parcels = sum(one["freight_minor"] for one in told["suppliers"])
    assert sum(one["total_minor"] for one in told["items"]) + parcels == told["total_minor"]


def test_suppliers_whose_names_differ_in_a_sign_have_a_sheet_each(run: Run) -> None:
    Path("articles.csv").write_text("material,colour,shade\nPLA,Black,#111111\nPLA,White,#eeeeee\n")
    Path("suppliers.csv").write_text("name,lead_days\nNord & Co,2\nNord + Co,2\n")
    Path("offers.csv").write_text(
        "supplier,material,colour,spool_g,price\nNord & Co,PLA,Black,1000,20\nNord + Co,PLA,White,1000,20\n"
    )
    Path("jobs.csv").write_text(
        "title,state,ended_at,material,colour,grams\nHook,planned,,PLA,Black,500\nHook,planned,,PLA,White,500\n"
    )
    for sheet in ("articles", "suppliers", "offers", "jobs"):
        code, said, _ = run("import", sheet, f"{sheet}.csv")
        assert (code, said.split(",")[0]) == (0, "2 rows: 2 new"), said
    said = run("reorder", "--csv", "sheets")[1]
    assert said.count("Wrote ") == len(list(Path("sheets").glob("reorder-nord---co-*.csv"))) == 2


def test_share_prints_plastic_beside_takings_by_month(run: Run, demo: Path) -> None:
    del demo
    figures = json.loads(run("share", "--instance", "demo", "--json")[1])
    for month in figures["months"]:
        # common practice: cost of plastic drawn over takings of the same days; 140 basis points are 1.4 %
        share = None if month["takings_minor"] <= 0 else 10_000 * month["drawn_minor"] / month["takings_minor"]
        assert month["material_share_bp"] == (None if share is None else pytest.approx(share, abs=0.005))
    head, *lines = run("share", "--instance", "demo")[1].splitlines()
    assert head.startswith("month")
    assert [line[:7] for line in lines] == [month["month"] for month in figures["months"]]


def test_the_same_sheet_twice_is_booked_once(run: Run) -> None:
    Path("takings.csv").write_text("day;channel;amount\n2026-03-02;Market;120,50\n2026-03-03;Market;80\n")
    assert run("import", "takings", "takings.csv")[1].startswith("2 rows: 2 new, 0 known.")
    assert run("import", "takings", "takings.csv")[1].startswith("2 rows: 0 new, 2 known.")


def test_a_sheet_with_a_bad_row_books_nothing_and_names_the_line(run: Run) -> None:
    Path("takings.csv").write_text("day,channel,amount\n2026-03-02,Market,120.50\n2026-13-02,Market,x\n")
    code, said, _ = run("import", "takings", "takings.csv")
    assert code == 1
    assert "line 3" in said
    assert "Nothing was booked" in said
    Path("takings.csv").write_text("day,channel,amount\n2026-03-02,Market,120.50\n")
    assert "1 new" in run("import", "takings", "takings.csv")[1]


def test_sample_labels_read_back_to_their_codes(run: Run) -> None:
    """Rendered at the printer's own dots and read by zxing-cpp, an independent reader."""
    words = ("--sample", "7", "--stock", "50x25", "--dpi", "203", "-o", "s.pdf", "--codes", "s.txt")
    assert run("labels", *words)[0] == 0
    pages = pypdfium2.PdfDocument("s.pdf")
    read = [
        zxingcpp.read_barcodes(pages[number].render(scale=203 / 72, grayscale=True).to_numpy())[0].text
        for number in range(len(pages))
    ]
    pages.close()
    assert read == Path("s.txt").read_text().split()


@pytest.mark.parametrize(
    "words",
    [
        ("--sample", "3", "--stock", "none", "-o", "s.pdf"),
        ("--sample", "0", "-o", "s.pdf"),
        ("--sample", "3", "--start", "99", "-o", "s.pdf"),
    ],
)
def test_labels_that_cannot_be_printed_are_refused_in_a_sentence(run: Run, words: tuple[str, ...]) -> None:
    code, _, said = run("labels", *words)
    assert code == 2
    assert said.startswith("spoolkeep: ")
    assert not Path("s.pdf").exists()


def test_columns_are_listed(run: Run) -> None:
    code, said, _ = run("columns", "jobs")
    assert code == 0
    assert "ended_at" in said


def test_one_setting_puts_the_books_on_postgresql(
    run: Run, monkeypatch: pytest.MonkeyPatch, new_postgres_store: Callable[[], Store]
) -> None:
    store = new_postgres_store()
    monkeypatch.setenv("SPOOLKEEP_DATABASE", store.engine.url.render_as_string(hide_password=False))
    assert run("demo", "--build-only", "--days", "40", "--instance", "demo")[0] == 0
    assert run("check")[1] == "The books are sound.\n"
    assert json.loads(run("runout", "--json")[1])["items"]
    assert not Path("demo/spoolkeep.sqlite").exists()


def _type(monkeypatch: pytest.MonkeyPatch, line: str) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(f"{line}\n"))


def test_an_owner_is_made_in_the_terminal_and_a_weak_password_is_not_taken(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    _type(monkeypatch, "password1234")
    code, _, refused = run("owner", "Ilka", "--instance", "shop")
    assert code == 2
    assert "would soon be guessed" in refused
    _type(monkeypatch, "copper ferry lantern oat")
    code, said, _ = run("owner", "Ilka", "--instance", "shop")
    assert code == 0
    assert said.startswith("Ilka owns the workshop, and signs in with the new password.\n")
    assert re.search(r"/join#[a-z2-7]{26} ", said)
    _type(monkeypatch, "walnut bridge seven dusk")
    code, _, refused = run("owner", "Illka", "--instance", "shop")
    assert code == 2
    assert "does not own this workshop" in refused
    _type(monkeypatch, "walnut bridge seven dusk")
    assert run("owner", "--instance", "shop")[1].startswith("Ilka owns")


def test_a_workshop_without_an_owner_is_not_served_to_the_network(run: Run) -> None:
    assert run("upgrade", "--instance", "shop")[0] == 0
    code, _, refused = run("serve", "--host", "0.0.0.0", "--instance", "shop")  # noqa: S104 - it is refused
    assert code == 2
    assert "spoolkeep owner NAME --instance shop" in refused
    code, _, refused = run("serve", "--proxy", "127.0.0.1", "--instance", "shop")
    assert code == 2
    assert "Nobody owns this workshop yet" in refused


def test_an_address_that_is_none_is_refused_in_words(run: Run) -> None:
    code, _, refused = run("serve", "--host", "everywhere", "--instance", "shop")
    assert code == 2
    assert "to serve the network 0.0.0.0" in refused
    code, _, refused = run("serve", "--proxy", "*", "--instance", "shop")
    assert code == 2


def test_a_workshop_is_served_by_its_names_and_addresses() -> None:
    here = reach_of("127.0.0.1", port=8460)
    assert here.hosts == LOOPBACK
    assert not here.addresses
    assert not here.any_address
    network = reach_of("0.0.0.0", port=8460, names=("Spools.example",))  # noqa: S104 - what it says is looked at
    assert {"spools.example", "localhost"} <= network.hosts
    assert network.any_address
    assert network.addresses[0].startswith("http://")
    assert network.addresses[0].endswith(":8460")
    assert "spools.example" in reach_of("127.0.0.1", port=8460, names=("spools.example",), proxied=True).hosts


PROGRAM = "M83\nG1 X1 E1000 F600\n"


def test_a_motion_file_is_metered_without_an_instance(run: Run) -> None:
    Path("part.gcode").write_text(PROGRAM)
    code, said, _ = run("meter", "part.gcode", "--density", "1.24", "--json")
    told = json.loads(said)
    assert code == 0
    assert told["tools"] == [{"tool": 0, "mm": 1000.0, "mm3": 2405.281875, "g": 2.98255}]
    assert json.loads(run("meter", "part.gcode", "--json")[1])["tools"][0]["g"] is None
    assert "1000.000" in run("meter", "part.gcode", "--time")[1]
    assert not list(Path().glob("instance*"))


def test_what_is_no_motion_file_is_a_sentence(run: Run) -> None:
    Path("letter.txt").write_text("Dear Sir")
    code, _, said = run("meter", "letter.txt")
    assert (code, said) == (
        2,
        "spoolkeep: No line moves a machine: on line 1 “Dear Sir” is no command. Choose a motion file.\n",
    )
    assert "density must be" in run("meter", "letter.txt", "--density", "0")[2]


def test_a_slicing_program_plans_a_file_once_however_often_it_calls(run: Run, demo: Path) -> None:
    assert demo.exists()
    Path("part.gcode").write_text(PROGRAM)
    machine = "Egret"
    first = run("plan", "part.gcode", "--machine", machine, "--instance", "demo")
    assert first[0] == 0
    assert "planned as one job" in first[1]
    assert "was planned so before" in run("plan", "part.gcode", "--machine", machine, "--instance", "demo")[1]
    call = ("plan", "part.gcode", "--machine", machine, "--instance", "demo", "--json")
    told = [json.loads(run(*call, *more)[1]) for more in ((), ("--again",))]
    assert [one["before"] for one in told] == [True, False]
    assert told[0]["planned"]["job_ids"] != told[1]["planned"]["job_ids"]
    assert "no machine “Nobody”" in run("plan", "part.gcode", "--machine", "Nobody", "--instance", "demo")[2]


def test_a_watched_folder_is_planned_by_machine_and_what_cannot_be_is_kept_with_the_reason(
    run: Run, demo: Path
) -> None:
    assert demo.exists()
    Path("drop/Egret").mkdir(parents=True)
    Path("drop/Egret/part.gcode").write_text(PROGRAM)
    Path("drop/Egret/bad.gcode").write_text("Dear Sir")
    Path("drop/readme.md").write_text("not a motion file")
    code, said, _ = run("watch", "drop", "--once", "--instance", "demo")
    assert code == 0
    assert "part.gcode is planned as one job: 3.0 g." in said
    assert Path("drop/Egret/planned/part.gcode").exists()
    assert "no command" in Path("drop/Egret/refused/bad.gcode.txt").read_text()
    assert Path("drop/readme.md").exists()
    Path("drop/Egret/part.gcode").write_text(PROGRAM)
    assert run("watch", "drop", "--once", "--instance", "demo")[0] == 0
    assert Path("drop/Egret/planned/part-2.gcode").exists(), "put there again, it is planned again"
    with closing(sqlite3.connect(demo)) as connection:
        assert connection.execute("SELECT count(*) FROM job WHERE title = 'part'").fetchone() == (2,)


def test_a_file_is_metered_without_the_web_or_the_store() -> None:
    words = "import sys, spoolkeep.cli.meter; print({'flask', 'sqlalchemy', 'reportlab'} & set(sys.modules))"
    said = subprocess.run([sys.executable, "-c", words], capture_output=True, text=True, check=True)
    assert said.stdout.strip() == "set()"


def test_a_backup_is_made_put_back_and_proved_from_the_terminal(run: Run, demo: Path) -> None:
    code, said, _ = run("backup", "--instance", "demo", "--json")
    made = json.loads(said)
    assert (code, made["difference"], Path(made["path"]).stat().st_size) == (0, None, made["bytes"])
    code, said, _ = run("backup", "--instance", "demo", "--to", "elsewhere.sqlite")
    assert code == 0
    assert said.startswith("Wrote elsewhere.sqlite (")
    assert "opened as a database of its own; its books are sound" in said
    assert run("backup", "--instance", "demo", "--to", "elsewhere.sqlite")[0] == 2
    code, said, _ = run("restore", "elsewhere.sqlite", "--instance", "demo")
    assert code == 0
    assert "What was there before is at" in said
    assert run("check", "--instance", "demo")[0] == 0
    with closing(sqlite3.connect(demo)) as connection, connection:
        connection.execute("UPDATE day_total SET mg = mg + 1 WHERE rowid = 5")
    code, said, _ = run("backup", "--instance", "demo", "--to", "bad.sqlite")
    assert code == 1
    assert "but its books differ: day_total" in said
    assert Path("differs-bad.sqlite").exists()
    assert not Path("bad.sqlite").exists()
    assert run("restore", "differs-bad.sqlite", "--instance", "new")[0] == 2
    assert run("restore", "differs-bad.sqlite", "--differing", "--instance", "new")[0] == 0


def test_a_workshop_goes_out_as_csv_and_comes_back_from_the_terminal(run: Run, demo: Path) -> None:
    del demo
    assert run("export", "out", "--instance", "demo")[0] == 0
    code, said, _ = run("load", "out", "--instance", "new")
    assert code == 0
    assert "spoolkeep owner NAME --instance new" in said
    assert run("check", "--instance", "new")[0] == 0
    code, _, said = run("load", "out", "--instance", "new")
    assert code == 2
    assert "nothing is loaded over it" in said
    Path("out/machine.csv").write_text("changed")
    assert run("load", "out", "--instance", "third")[0] == 2
    assert "machine.csv, line 1" in run("load", "out", "--changed", "--instance", "third")[2]


def test_the_mail_password_comes_by_a_pipe_and_is_read_by_nobody_else(
    run: Run, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    run("upgrade")
    monkeypatch.setattr("sys.stdin", io.StringIO("tulip bulb\nnever read\n"))
    code, said, _ = run("mail-password")
    kept = tmp_path / "instance" / "mail-password"
    assert (code, kept.read_text(encoding="utf-8"), kept.stat().st_mode & 0o777) == (0, "tulip bulb", 0o600)
    assert "tulip" not in said
    monkeypatch.setattr("sys.stdin", io.StringIO("\n"))
    assert run("mail-password")[0] == 2
    monkeypatch.setattr("sys.stdin", io.StringIO("x\n"))
    code, _, said = run("mail-password", "--instance", "nowhere")
    assert (code, "There is no workshop in nowhere" in said) == (2, True)


def test_notices_are_sent_from_the_command_line_and_told(run: Run, demo: Path, now: datetime) -> None:
    store = open_store(f"sqlite:///{demo}")
    with postbox.receiver() as bell, closing(store):
        wants = Wants("Lamp", NoticeWay.WEBHOOK, bell.address, DigestWhen.EVERY_DAY, 4, frozenset(About))
        with store.write() as session:
            number = addressees.add(session=session, now=now, by_id=1, wants=wants)
            addressees.trial(session=session, now=now, addressee_id=number, key="1")
        code, said, _ = run("notices", "--send", "--json", "--instance", "demo")
        told = json.loads(said)
        assert code == 0
        assert [one["state"] for one in told["notices"]] == ["sent"] * len(bell.told)
        assert {"trial", "digest"} <= {one["kind"] for one in told["notices"]}
        assert told["addressees"][0]["shown"] == f"localhost:{bell.port}"
        assert "tulip" not in said
        before = len(bell.told)
        run("notices", "--send", "--instance", "demo")
        assert len(bell.told) == before, "each is sent once"
        with store.write() as session:
            session.execute(update(Notice).values(sent_at=None, tries=1, last_error="Nothing answers."))
        assert run("notices", "--instance", "demo")[0] == 1, "also while it is tried again"
        with store.write() as session:
            session.execute(update(Notice).values(given_up_at=now))
        code, said, _ = run("notices", "--instance", "demo")
        assert code == 1
        assert "Nothing answers." in said
