"""The command line: what it prints where, its exit codes, and JSON for machines."""

import json
import shutil
import subprocess
import sys
import zipfile

import pytest

from fleetlog.analyses.wording import TECHNICIANS_HIDDEN
from fleetlog.settings import COMEBACK_DAYS
from fleetlog.store import Store


def test_a_command_starts_as_a_program_without_what_only_pages_and_funnels_need(tmp_path):
    heavy = "print(sorted({'dash', 'plotly', 'scipy.stats'} & set(sys.modules)))"
    done = subprocess.run(
        [sys.executable, "-c", f"import sys, fleetlog.cli; {heavy}"], capture_output=True, text=True
    )
    assert (done.stdout.strip(), done.stderr) == ("[]", "")
    done = subprocess.run(
        [sys.executable, "-m", "fleetlog", "loads", "--store", str(tmp_path / "none")],
        capture_output=True, text=True,
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.startswith("fleetlog: ")


def test_the_demo_says_what_each_user_wants_to_know(demo):
    for words in (
        "The foreman asks",
        "The fleet manager asks",
        "The technician asks",
        "The places do not fail alike",
        "times the others",
        "fails sooner than the other lots",
        "vehicles failed",
        "fleetlog serve",
    ):
        assert words in demo.printed
    assert (demo.folder / "fleet-report.html").stat().st_size > 100_000


def test_the_demo_overwrites_nothing(run, demo):
    before = demo.store.revision()
    done = run("demo", demo.folder)
    assert done.returncode == 1
    assert "is there already" in done.stderr
    assert demo.store.revision() == before


@pytest.mark.parametrize(
    ("command", "keys"),
    [
        (
            ("part-life", "valvetrain.rocker-arm", "--by", "bank"),
            {"groups", "curves", "summary", "left_out"},
        ),
        (("comebacks",), {"groups", "pairs", "summary"}),
        (("best-interval", "cooling.water-pump"), {"age", "saving", "reason", "cost_basis"}),
        # In some draws no interval pays: the limit of its age is without end.
        (("best-interval", "body.wiper-motor"), {"age_interval", "no_optimum_share"}),
        (
            ("warning-signs", "--sign", "tick", "--engine-family", "V8-51"),
            {"pairs", "evidence", "standing", "left_out", "summary"},
        ),
        (
            ("have-ready", "V8-51", "valvetrain.rocker-arm", "--where", "bank=2"),
            {"needs", "hours", "part_numbers", "evidence", "summary"},
        ),
        (("double-orders",), {"pairs", "summary"}),
        (
            (
                "replace-together",
                "--engine-family",
                "V8-51",
                "--failed",
                "valvetrain.lifter",
                "--at",
                "bank=2",
                "--odometer",
                110_000,
                "--keep",
                40_000,
            ),
            {"parts", "choices", "neighbours", "prices", "evidence", "left_out", "summary"},
        ),
        (("vehicle", "U1002"), {"vin", "orders", "lines", "parts"}),
    ],
)
def test_answers_come_as_json(run, demo, command, keys):
    done = run(*command, "--json", store=demo.store.path)
    assert done.returncode == 0, done.stderr
    assert keys <= set(json.loads(done.stdout))
    assert done.stderr == ""


@pytest.fixture(scope="module")
def named_demo(demo, tmp_path_factory):
    """The demo fleet with technicians whose names nothing else in the store holds."""
    store = Store.open(shutil.copy(demo.store.path, tmp_path_factory.mktemp("named") / "demo"))
    with store.write() as connection:
        connection.execute(
            "UPDATE loaded_repair_order SET technician = 'Ozolbrand ' || technician"
        ).fetchall()
        connection.execute(
            "UPDATE source_row AS s SET cells = list_transform(s.cells, lambda cell, place:"
            " CASE WHEN place = h.place THEN 'Ozolbrand ' || cell ELSE cell END)"
            " FROM hidden_cell AS h WHERE h.load_id = s.load_id"
        ).fetchall()
    return store


TELL_NAMES = (
    ("vehicle", "U1002"),
    ("have-ready", "V8-51", "valvetrain.rocker-arm"),
    ("comebacks", "--by", "technician"),
    ("comebacks", "--by", "technician", "--same", "complaint"),
    ("held", "--rows"),
)
TELL_NONE = (
    ("comebacks", "--by", "shop"),
    ("part-life", "valvetrain.rocker-arm"),
    ("position-map", "valvetrain.rocker-arm", "--engine-family", "V8-51"),
    ("part-makers", "valvetrain.rocker-arm"),
    ("warning-signs", "--sign", "tick", "--engine-family", "V8-51"),
    ("replace-together", "--vehicle", "U1004", "--failed", "valvetrain.lifter", "--keep", "9000"),
    ("best-interval", "cooling.water-pump"),
    ("repeat-failures", "--component", "valvetrain.rocker-arm"),
    ("double-orders",),
    ("quality",),
    ("loads",),
    ("held",),
    ("review",),
    ("corrections",),
)


@pytest.mark.parametrize("command", TELL_NAMES, ids=" ".join)
def test_no_command_shows_who_did_a_job_unless_the_store_does(run, named_demo, command):
    named_demo.name_technicians(named=False)
    hidden = [run(*command, *form, store=named_demo.path) for form in ((), ("--json",))]
    assert [done.returncode for done in hidden] == [0, 0], hidden[0].stderr
    assert "Ozolbrand" not in "".join(done.stdout for done in hidden)
    says_so = command[0] != "held"
    assert [TECHNICIANS_HIDDEN in done.stdout for done in hidden] == [says_so, says_so]
    named_demo.name_technicians(named=True)
    shown = run(*command, "--json", store=named_demo.path).stdout
    assert "Ozolbrand" in shown
    assert TECHNICIANS_HIDDEN not in shown


@pytest.mark.parametrize("command", TELL_NONE, ids=" ".join)
def test_no_other_command_shows_who_did_a_job_even_where_the_store_does(run, named_demo, command):
    named_demo.name_technicians(named=True)
    done = run(*command, "--json", store=named_demo.path)
    assert done.returncode == 0, done.stderr
    assert "Ozolbrand" not in done.stdout


def test_no_export_shows_who_did_a_job_unless_the_store_does(run, named_demo, tmp_path):
    found = {}
    for named in (False, True):
        named_demo.name_technicians(named=named)
        out = tmp_path / f"held-{named}.xlsx"
        done = run("held", "--export", out, store=named_demo.path)
        assert (TECHNICIANS_HIDDEN in done.stdout) != named
        with zipfile.ZipFile(out) as book:
            found[named] = any(b"Ozolbrand" in book.read(each) for each in book.namelist())
    assert found == {False: False, True: True}
    named_demo.name_technicians(named=False)
    for command, out in (("review", "review.xlsx"), ("report", "report.html")):
        option = ("--export",) if command == "review" else ()
        assert run(command, *option, tmp_path / out, store=named_demo.path).returncode == 0
        assert b"Ozolbrand" not in (tmp_path / out).read_bytes()


@pytest.mark.parametrize("command", [("loads",), ("held",)])
def test_lists_come_as_json(run, demo, command):
    rows = json.loads(run(*command, "--json", store=demo.store.path).stdout)
    assert len(rows) > 0


@pytest.mark.parametrize(
    ("command", "says"),
    [
        (("part-life", "valvetrain.rocker-arm", "--by", "bank"), "bank 2"),
        (("comebacks", "--by", "component"), f"within {COMEBACK_DAYS.value} days"),
        (("comebacks", "--by", "technician"), "technician 1"),
        (("best-interval", "cooling.water-pump"), "costs least"),
        (("best-interval", "brakes.pads"), "never run to failure"),
        (("vehicle", "U1002"), "repair order"),
        (("held",), "is not in the fleet list"),
        (("loads",), "fleet_list.csv"),
    ],
)
def test_answers_come_in_words(run, demo, command, says):
    done = run(*command, store=demo.store.path)
    assert done.returncode == 0, done.stderr
    assert says in " ".join(done.stdout.split())


@pytest.mark.parametrize(
    ("command", "code", "says"),
    [
        (("part-life", "no.such-part"), 1, "not in the catalogue"),
        (("vehicle", "nobody"), 1, "no vehicle answers"),
        (("load", "no-such-file.csv"), 1, "no-such-file.csv"),
        (("undo-load", "999"), 1, "999"),
        (("comebacks", "--unrelated", "a:1", "a:2"), 2, "needs --reason"),
        (("comebacks", "--unrelated", "a:1", "a:2", "--reason", "why"), 1, "no order"),
        (("comebacks", "--same", "moon"), 1, "access-group"),
        (("part-life",), 2, "Missing argument"),
        (("part-life", "valvetrain.rocker-arm", "--where", "bank"), 2, "column=value"),
        (("no-such-command",), 2, "no-such-command"),
    ],
)
def test_errors_are_one_sentence_on_standard_error(run, demo, command, code, says):
    store = demo.store.path if command != ("no-such-command",) else None
    done = run(*command, store=store)
    assert done.returncode == code
    assert says in " ".join(done.stderr.split())
    assert done.stdout == ""
    assert "Traceback" not in done.stderr


def test_a_store_can_be_made_filled_and_emptied(run, tmp_path, demo):
    store = tmp_path / "a.fleetlog"
    assert run("new-store", store).returncode == 0
    families = run(
        "load", demo.folder / "engine_families.csv", "--kind", "engine-families", store=store
    )
    assert families.returncode == 0, families.stderr
    fleet = run(
        "load",
        demo.folder / "fleet_list.csv",
        "--map",
        demo.folder / "fleet_list.toml",
        "--json",
        store=store,
    )
    assert json.loads(fleet.stdout)[0]["rows_kept"] == 450
    again = run(
        "load",
        demo.folder / "fleet_list.csv",
        "--map",
        demo.folder / "fleet_list.toml",
        store=store,
    )
    assert "brings nothing new" in again.stdout
    assert run("undo-load", 2, store=store).returncode == 0
    assert run("vehicle", "U1002", store=store).returncode == 1


def test_what_an_hour_costs_is_asked_by_one_name(run):
    for command in ("repeat-failures", "best-interval", "replace-together"):
        options = run(command, "--help").stdout
        assert "--downtime-cost " in options, command
        assert "--downtime-cost-per-hour" not in options, command


def test_repeat_failures_count_an_hour_at_what_it_is_said_to_cost(run, demo):
    cheap, dear = (
        json.loads(
            run(
                "repeat-failures", "--component", "valvetrain.rocker-arm", "--downtime-cost", cost,
                "--json", store=demo.store.path,
            ).stdout
        )["findings"]
        for cost in (0, 600)
    )  # fmt: skip
    assert sum(row["excess_cost"] for row in dear) > sum(row["excess_cost"] for row in cheap)


def test_a_store_that_is_none_is_refused(run, tmp_path):
    junk = tmp_path / "junk.fleetlog"
    junk.write_text("not a store")
    done = run("loads", store=junk)
    assert done.returncode == 1
    assert "junk.fleetlog" in done.stderr


def test_the_report_is_written(run, tmp_path, demo):
    out = tmp_path / "report.html"
    done = run("report", out, "--component", "cooling.water-pump", store=demo.store.path)
    assert done.returncode == 0, done.stderr
    assert "Water pump" in out.read_text(encoding="utf-8")
