"""What a job needed, by hand: what counts as a job, what belongs to it, and what does not."""

import polars as pl
import pytest

from fleetlog import analyses
from fleetlog.errors import InputError
from fleetlog.stats import proportion_interval

ROCKER = "valvetrain.rocker-arm"
GASKET = "seals.valve-cover-gasket"
CONNECTOR = "ignition.coil-connector"
OIL = "lubrication.engine-oil"
JOB = {"component": ROCKER, "bank": 2, "cylinder": 8, "side": "exhaust", "qty": 2, "part_no": "A1"}
COVER = {"component": GASKET, "bank": 2, "reason": "while-apart", "part_no": "G7"}
SNAPPED = {"component": CONNECTOR, "bank": 2, "cylinder": 7, "reason": "broke-in-work"}
SERVICE = {"component": OIL, "reason": "planned"}


def vin(number):
    return f"{number:017d}"


def shop_work(records, jobs=20, visits=3):
    """Twenty rocker jobs on as many vehicles, all with a gasket; five broke a connector.

    Eight had the oil changed on the same visit, as every second one of sixty other visits had.
    """
    for number in range(jobs):
        records.vehicle(vin(number), unit_no=f"U{number}")
        lines = [JOB | {"qty": 1 + number % 3}, COVER]
        lines += [SNAPPED] if number % 4 == 0 else []
        lines += [SERVICE] if number < 8 else []
        records.order(
            vin(number), 500 + number, 50_000 + 10 * number, *lines,
            labour_h=4.0 + number % 5, downtime_h=40.0 if number % 4 == 0 else 10.0,
        )  # fmt: skip
        for visit in range(visits):
            other = SERVICE if (number + visit) % 2 else {"component": "charging.battery"}
            records.order(vin(number), 100 + 100 * visit, 10_000 * (visit + 1), other)
        records.meter(vin(number), 1000, 100_000)


def need(result, component, kind=None):
    rows = result.needs.filter(pl.col("component") == component)
    rows = rows.filter(pl.col("need") == kind) if kind else rows
    return rows.row(0, named=True)


def test_what_belongs_to_the_job_and_what_fell_on_the_same_day(records):
    shop_work(records)
    result = analyses.have_ready(records.build(), "v8", ROCKER)
    assert (result.jobs, result.vehicles) == (20, 20)
    gasket = need(result, GASKET)
    assert (gasket["need"], gasket["share"], gasket["elsewhere"]) == ("renewed with it", 1, 0)
    assert gasket["sort"] == "gasket or seal"
    oil = need(result, OIL)
    assert (oil["need"], oil["share"], oil["elsewhere"]) == ("usual on any job", 8 / 20, 1 / 2)
    assert oil["sort"] == "fluid"
    assert "have ready, beside the part itself, valve cover gasket" in result.summary[0]
    assert "engine oil" not in result.summary[0]


def test_what_broke_in_the_work_has_its_share_with_wilson_limits(records):
    shop_work(records)
    result = analyses.have_ready(records.build(), "v8", ROCKER)
    broke = need(result, CONNECTOR)
    assert (broke["need"], broke["jobs"], broke["share"]) == ("broke in the work", 5, 1 / 4)
    # One job a vehicle: Wilson, but for the small-sample factor of 20 / 19 clusters.
    assert (broke["lower"], broke["upper"]) == pytest.approx(proportion_interval(5 * 0.95, 19))


def test_quantities_hours_and_part_numbers(records):
    shop_work(records)
    result = analyses.have_ready(records.build(), "v8", ROCKER)
    itself = need(result, ROCKER)
    assert (itself["need"], itself["quantity"]) == ("the part itself", 2)
    assert (itself["quantity_p10"], itself["quantity_p90"]) == (1, 3)
    labour, downtime = result.hours.rows(named=True)
    # Too few jobs without the oil change (12): all of them are taken, and it is said.
    assert (labour["jobs"], labour["median"]) == (20, 6)
    assert labour["note"].startswith("all jobs")
    assert downtime["median"] == 10
    parts = result.part_numbers.select("component", "part_no", "jobs", "ro_no").rows()
    assert (GASKET, "G7", 20, "77") in parts
    # Five jobs with a broken part are too few to compare hours by.
    assert result.downtime_difference is None


def test_how_much_longer_a_vehicle_stands_where_a_part_broke(records):
    for number in range(20):
        records.vehicle(vin(number))
        lines = (JOB, COVER, SNAPPED) if number < 10 else (JOB, COVER)
        hours = 40.0 + number if number < 10 else 10.0
        records.order(vin(number), 500, 50_000, *lines, downtime_h=hours)
        records.order(vin(number), 100, 10_000, SERVICE)
        records.meter(vin(number), 1000, 100_000)
    result = analyses.have_ready(records.build(), "v8", ROCKER)
    difference = result.downtime_difference
    assert (difference.difference, difference.with_it, difference.without_it) == (34.5, 10, 10)
    # By hand: variance 82.5 / 10 / 10 of ten values 0 to 9, times 20 / 19 * 19 / 18, t of 19.
    reach = 2.093024054 * (82.5 / 100 * 20 / 18) ** 0.5
    assert difference.upper - difference.difference == pytest.approx(reach)
    assert "stood 34.5 h longer on average" in " ".join(result.summary)


def test_a_part_renewed_on_the_side_is_no_job_on_it(records):
    shop_work(records)
    store = records.build()
    with pytest.raises(InputError, match=r"no past job on seals\.valve-cover-gasket"):
        analyses.have_ready(store, "v8", GASKET)


def test_work_of_other_jobs_that_renew_it_on_the_side_is_elsewhere(records):
    """Gaskets that fail by themselves need no rocker, though most gaskets go in with one."""
    shop_work(records, jobs=10, visits=1)
    for number in range(10):
        lines = [COVER | {"reason": "failed"}] + ([JOB] if number == 0 else [])
        records.order(vin(number), 800, 80_000, *lines)
    rocker = need(analyses.have_ready(records.build(), "v8", GASKET), ROCKER)
    # Ten services and ten rocker jobs are the other visits.
    assert (rocker["need"], rocker["share"]) == ("usual on any job", 1 / 10)
    assert rocker["elsewhere"] == pytest.approx(10 / 20)


def test_a_place_takes_the_jobs_that_said_it(records):
    shop_work(records, jobs=6)
    records.order(vin(0), 700, 70_000, JOB | {"bank": 1, "cylinder": 2})
    records.order(vin(1), 700, 70_000, {"component": ROCKER})
    records.order(vin(2), 700, 70_000, COVER, {**JOB, "reason": "while-apart"})
    store = records.build()
    assert analyses.have_ready(store, "v8", ROCKER).jobs == 8
    result = analyses.have_ready(store, "v8", ROCKER, where={"bank": "2", "side": "exhaust"})
    assert result.jobs == 6
    assert dict(result.left_out.rows()) == {
        "visit that renewed it on the side of another job": 1,
        "job at another place": 1,
        "job that did not say its place": 1,
    }
    with pytest.raises(InputError, match="no place bank 3"):
        analyses.have_ready(store, "v8", ROCKER, where={"bank": 3})
    with pytest.raises(InputError, match="moon"):
        analyses.have_ready(store, "v8", ROCKER, where={"moon": 1})
    with pytest.raises(InputError, match="check the family's code"):
        analyses.have_ready(store, "v9", ROCKER)


def test_a_job_told_twice_is_one_job_with_its_hours_once(records):
    vehicle = records.vehicle(unit_no="U1")
    facts = {"labour_h": 5.0, "downtime_h": 9.0, "technician": "KD", "complaint": "tick",
             "cause": "rocker worn", "correction": "replaced rocker"}  # fmt: skip
    records.order(vehicle, 500, 50_000, JOB, COVER, **facts)
    records.order(vehicle, 501, 50_000, JOB, COVER, **facts)
    records.meter(vehicle, 1000, 100_000)
    store = records.build()
    linked = store.frame("SELECT state, kind FROM order_link").rows()
    assert linked == [("linked", "same order")]
    result = analyses.have_ready(store, "v8", ROCKER)
    assert result.jobs == 1
    assert result.evidence["labour_h"].to_list() == [5]
    assert need(result, ROCKER)["quantity"] == 2
    assert dict(result.left_out.rows()) == {"line told again on another order of the same job": 2}
    assert "Thin: 1 job" in " ".join(result.summary)


def test_the_order_of_the_records_does_not_matter(records, tmp_path):
    shop_work(records)
    records.orders.reverse()
    records.lines.reverse()
    result = analyses.have_ready(records.build(), "v8", ROCKER)
    shares = dict(result.needs.select("component", "share").rows())
    assert shares == {ROCKER: 1, GASKET: 1, CONNECTOR: 1 / 4, OIL: 8 / 20}


def test_torques_are_told_as_notes_and_unread_lines_as_perhaps_needed(records):
    shop_work(records)
    records.lines[0] |= {"component": None, "description": "Mystery bracket"}
    records.order(vin(0), 800, 80_000, JOB)
    store = records.build()
    with store.write() as connection:
        connection.execute(
            "INSERT INTO loaded_torque_record BY NAME SELECT 1 AS load_id, ro_id AS file_row, ro_id,"
            " 'cover bolt' AS fastener, 9.0 + ro_id % 3 AS value, 'N m' AS unit,"
            " 9.0 + ro_id % 3 AS newton_metres FROM repair_order"
        ).fetchall()
    result = analyses.have_ready(store, "v8", ROCKER)
    assert result.torques.select("fastener", "records").rows() == [("cover bolt", 20)]
    assert "no specification" in " ".join(result.summary)
