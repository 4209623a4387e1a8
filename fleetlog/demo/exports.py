"""Write the records down as three different shops and a fleet office would export them."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import polars as pl
import xlsxwriter

from fleetlog.demo.dirt import KINDS, KM_PER_MILE
from fleetlog.demo.parameters import FAMILIES, OIL_INTERVAL_MI, SERVICE_RULES

TITLE_ROWS = 3
MOST_SHEET_ROWS = 1_048_576 - TITLE_ROWS - 1


@dataclass(frozen=True)
class ShopFormat:
    """How one shop exports its orders.

    ``columns`` is (canonical field, heading in the file) in file order; ``written`` picks the
    shop's wording of part names, ``words`` that of actions and reasons.
    """

    written: int
    suffix: str
    distance_unit: str
    date_order: str
    date_style: str
    second_date_style: str
    decimal_mark: str
    code_mark: str
    yes_no: tuple[str, str]
    words: Mapping[str, str]
    columns: tuple[tuple[str, str], ...]


NORTH_YARD = ShopFormat(
    written=0,
    suffix="csv",
    distance_unit="mi",
    date_order="mdy",
    date_style="%-m/%-d/%Y",
    second_date_style="%Y-%m-%d",
    decimal_mark=".",
    code_mark=" ",
    yes_no=("Y", "N"),
    words={
        "replaced": "Replaced",
        "repaired": "Repaired",
        "inspected": "Inspected",
        "failed": "Failed",
        "planned": "PM",
        "while-apart": "While apart",
        "broke-in-work": "Broke on removal",
        "unknown": "Unknown",
    },
    columns=(
        ("ro_no", "Ticket"),
        ("line_no", "Ln"),
        ("opened_on", "Date in"),
        ("closed_on", "Date out"),
        ("unit_no", "Unit #"),
        ("vin", "VIN"),
        ("odometer", "Mileage"),
        ("engine_hours", "Eng hrs"),
        ("technician", "Mech"),
        ("complaint", "Complaint"),
        ("cause", "Cause"),
        ("correction", "Correction"),
        ("fault_codes", "Codes"),
        ("road_tested", "Test drive"),
        ("codes_cleared", "Codes clr"),
        ("downtime_h", "Down hrs"),
        ("labour_h", "Hrs total"),
        ("labour_cost", "Labor $"),
        ("parts_cost", "Parts $"),
        ("component", "Part"),
        ("bank", "Bank"),
        ("cylinder", "Cyl"),
        ("side", "Side"),
        ("slot", "Valve/axle"),
        ("action", "Work"),
        ("reason", "Why"),
        ("failure_mode", "How failed"),
        ("part_no", "Part No."),
        ("part_maker", "Mfr"),
        ("part_lot", "Lot"),
        ("qty", "Qty"),
        ("line_labour_h", "Ln hrs"),
        ("line_cost", "Ln $"),
    ),
)
RIVER_SHOP = ShopFormat(
    written=1,
    suffix="xlsx",
    distance_unit="mi",
    date_order="dmy",
    date_style="",
    second_date_style="%-d.%-m.%Y",
    decimal_mark=".",
    code_mark=", ",
    yes_no=("yes", "no"),
    words={
        "replaced": "renewed",
        "repaired": "repaired",
        "inspected": "checked",
        "failed": "failed",
        "planned": "planned",
        "while-apart": "while-apart",
        "broke-in-work": "broke-in-work",
        "unknown": "unknown",
    },
    columns=(
        ("ro_no", "Order"),
        ("opened_on", "Opened"),
        ("closed_on", "Finished"),
        ("unit_no", "Fleet no."),
        ("vin", "Chassis no."),
        ("odometer", "Odo (mi)"),
        ("technician", "Tech"),
        ("complaint", "Driver states"),
        ("cause", "Found"),
        ("correction", "Done"),
        ("fault_codes", "DTC"),
        ("road_tested", "Road test"),
        ("codes_cleared", "Cleared"),
        ("downtime_h", "Hours down"),
        ("labour_h", "Labour h"),
        ("labour_cost", "Labour cost"),
        ("parts_cost", "Parts cost"),
        ("component", "Item"),
        ("position", "Where"),
        ("action", "Action"),
        ("reason", "Reason"),
        ("failure_mode", "Failure"),
        ("part_no", "Part #"),
        ("part_maker", "Brand"),
        ("part_lot", "Batch"),
        ("qty", "Pcs"),
        ("line_labour_h", "Line h"),
        ("line_cost", "Line cost"),
    ),
)
HILL_SHOP = ShopFormat(
    written=2,
    suffix="csv",
    distance_unit="km",
    date_order="dmy",
    date_style="%d.%m.%Y",
    second_date_style="%Y-%m-%d",
    decimal_mark=",",
    code_mark="/",
    yes_no=("1", "0"),
    words={
        "replaced": "REPL",
        "repaired": "REPAIRED",
        "inspected": "INSP",
        "failed": "FAILED",
        "planned": "SCHEDULED",
        "while-apart": "WHILE APART",
        "broke-in-work": "BROKEN DURING REMOVAL",
        "unknown": "UNKNOWN",
    },
    columns=(
        ("ro_no", "Job Nº"),
        ("line_no", "Pos"),
        ("opened_on", "In"),
        ("closed_on", "Out"),
        ("plate", "Plate"),
        ("vin", "VIN no"),
        ("odometer", "Km"),
        ("technician", "Fitter"),
        ("complaint", "Reported"),
        ("cause", "Cause found"),
        ("correction", "Remedy"),
        ("fault_codes", "Fault codes"),
        ("road_tested", "Tested"),
        ("codes_cleared", "Erased"),
        ("downtime_h", "Stand h"),
        ("labour_h", "Work h"),
        ("labour_cost", "Work $"),
        ("parts_cost", "Material $"),
        ("component", "Description"),
        ("bank", "Bk"),
        ("cylinder", "Cyl."),
        ("side", "In/Ex"),
        ("slot", "No. in set"),
        ("action", "Job"),
        ("reason", "Grounds"),
        ("failure_mode", "Defect"),
        ("part_maker", "Make"),
        ("part_lot", "Charge"),
        ("qty", "Qty"),
        ("line_cost", "Price"),
    ),
)
FORMATS = (NORTH_YARD, RIVER_SHOP, HILL_SHOP)

VEHICLE_HEADINGS = {
    "unit_no": "Unit",
    "vin": "VIN",
    "plate": "License plate",
    "engine_family": "Engine family",
    "model_year": "MY",
    "duty": "Use",
    "depot": "Home depot",
    "in_service_on": "In service",
    "in_service_odometer": "In service mi",
    "observed_from_on": "On our books since",
    "observed_from_odometer": "Mi when booked in",
    "retired_on": "Sold/retired",
    "retired_odometer": "Mi at disposal",
}
METER_HEADINGS = {"unit_no": "Unit", "read_on": "Date", "odometer": "Odometer", "source": "Source"}


def engine_family_frame() -> pl.DataFrame:
    """Return the engine families, canonical headings."""
    return pl.DataFrame(
        [
            {
                "code": f.code,
                "title": f.title,
                "cylinders": f.cylinders,
                "banks": f.banks,
                "cylinder_banks": " ".join(map(str, f.cylinder_banks)),
                "intake_valves": f.intake_valves,
                "exhaust_valves": f.exhaust_valves,
                "camshafts_per_bank": f.camshafts_per_bank,
                "camshaft_location": f.camshaft_location,
                "fuel": f.fuel,
                "displacement_l": f.displacement_l,
            }
            for f in FAMILIES
        ]
    )


def service_rule_frame() -> pl.DataFrame:
    """Return the maker's and legal intervals of every family, canonical headings."""
    rows: list[dict[str, object]] = []
    for family in FAMILIES:
        for component, task in (
            ("lubrication.engine-oil", "engine oil"),
            ("lubrication.oil-filter", "oil filter"),
        ):
            rows.append(
                {
                    "engine_family": family.code,
                    "task": task,
                    "component": component,
                    "every_distance": OIL_INTERVAL_MI[family.code],
                    "every_days": 365,
                    "every_hours": 500 if family.fuel == "diesel" else None,
                    "origin": "maker",
                    "safety_critical": False,
                }
            )
        rows += [
            {
                "engine_family": family.code,
                "task": rule.task,
                "component": rule.component,
                "every_distance": rule.every_mi,
                "every_days": rule.every_days,
                "every_hours": rule.every_hours,
                "origin": rule.origin,
                "safety_critical": rule.safety_critical,
            }
            for rule in SERVICE_RULES
            if not (rule.component == "ignition.spark-plug" and family.fuel == "diesel")
            and not (rule.component == "fuel.filter" and family.fuel == "petrol")
        ]
    return pl.DataFrame(rows, schema_overrides={"every_hours": pl.Int64, "every_days": pl.Int64})


def shop_sheet(lines: pl.DataFrame, shop: ShopFormat) -> pl.DataFrame:
    """Return a shop's flat rows with its own headings, wording, units and number style.

    Date columns stay dates for a spreadsheet and become text otherwise.
    """
    factor = KM_PER_MILE if shop.distance_unit == "km" else 1.0
    other = 1.0 if shop.distance_unit == "km" else KM_PER_MILE
    values = lines.with_columns(
        odometer=(pl.col("odometer") * pl.when("wrong_distance_unit").then(other).otherwise(factor))
        .round()
        .cast(pl.Int64),
        component=pl.col(f"written_{shop.written}"),
        fault_codes=pl.col("fault_codes").str.replace_all(" ", shop.code_mark, literal=True),
        action=pl.col("action").replace_strict(shop.words),
        reason=pl.col("reason").replace_strict(shop.words),
        failure_mode=pl.col("failure_mode").str.replace_all("-", " ", literal=True),
        **{
            name: pl.when(name).then(pl.lit(shop.yes_no[0])).otherwise(pl.lit(shop.yes_no[1]))
            for name in ("road_tested", "codes_cleared")
        },
    )
    if shop is HILL_SHOP:
        # A dash that Windows-1252 has and ISO 8859-1 has not.
        values = values.with_columns(pl.col("complaint") + " \u2013 driver report")
    if shop.date_style:
        values = values.with_columns(
            pl.when("second_date_style")
            .then(pl.col(name).dt.strftime(shop.second_date_style))
            .otherwise(pl.col(name).dt.strftime(shop.date_style))
            .alias(name)
            for name in ("opened_on", "closed_on")
        )
    if shop.decimal_mark == ",":
        values = values.with_columns(
            pl.col(pl.Float64).cast(pl.String).str.replace(".", ",", literal=True)
        )
    return values.select(pl.col(field).alias(heading) for field, heading in shop.columns)


def write_csv_1252(sheet: pl.DataFrame, path: Path) -> None:
    """Semicolon-separated text in Windows-1252."""
    path.write_bytes(sheet.write_csv(separator=";").encode("cp1252"))


def write_spreadsheet(
    sheet: pl.DataFrame, lines: pl.DataFrame, shop: ShopFormat, path: Path, *, title: str
) -> None:
    """Write a spreadsheet with title rows above the headings; text is never read as a formula.

    Dates are date cells, except in orders with the second style, whose dates are text.
    """
    options = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(path, options) as book:
        # A fixed date keeps the file the same from run to run.
        book.set_properties({"created": datetime(2026, 1, 5), "title": title})
        page = book.add_worksheet("Lines")
        page.write_string(0, 0, title)
        page.write_string(1, 0, "printed 5.1.2026, all orders, one row per line")
        sheet.write_excel(
            book,
            "Lines",
            position=(TITLE_ROWS, 0),
            autofilter=False,
            table_style=None,
            dtype_formats={pl.Date: "dd.mm.yyyy", pl.Int64: "0", pl.Float64: "0.00"},
        )
        odd = lines.with_row_index("row").filter("second_date_style")
        headings = dict(shop.columns)
        for field in ("opened_on", "closed_on"):
            column = sheet.columns.index(headings[field])
            texts = odd.select("row", pl.col(field).dt.strftime(shop.second_date_style))
            for row, text in zip(texts["row"], texts[field], strict=True):
                page.write_string(TITLE_ROWS + 1 + row, column, text)


def shop_map(name: str, shop: ShopFormat) -> str:
    """Return the map that tells intake how to read a shop's export, as TOML."""
    head = [
        f'shop = "{name}"',
        'kind = "repairs"',
        f'distance_unit = "{shop.distance_unit}"',
        f'date_order = "{shop.date_order}"',
        f'decimal_mark = "{shop.decimal_mark}"',
    ]
    if shop.suffix == "xlsx":
        head += ['sheet = "Lines"', f"header_row = {TITLE_ROWS + 1}"]
    if shop.decimal_mark == ",":
        head += ['delimiter = ";"', 'encoding = "cp1252"']
    return "\n".join(head) + "\n\n" + _columns_table(dict(shop.columns))


def office_map(kind: str, headings: dict[str, str]) -> str:
    """Return the map for a file of the fleet office, as TOML."""
    head = [f'kind = "{kind}"', 'distance_unit = "mi"', 'date_order = "ymd"', 'decimal_mark = "."']
    return "\n".join(head) + "\n\n" + _columns_table(headings)


def _columns_table(headings: dict[str, str]) -> str:
    return "[columns]\n" + "".join(f'{field} = "{text}"\n' for field, text in headings.items())


def first_file_row(shop: ShopFormat) -> int:
    """File row (from 1) of the first row under the headings."""
    return 2 + (TITLE_ROWS if shop.suffix == "xlsx" else 0)


def truth_rows(lines: pl.DataFrame, file_name: str, first_row: int) -> pl.DataFrame:
    """One row per spoilt file row and kind: where it is, and what it should have said."""
    return (
        lines.with_row_index("row", offset=first_row)
        .unpivot(
            on=list(KINDS),
            variable_name="kind",
            value_name="spoilt",
            index=[
                "row",
                "ro_no",
                "vin",
                "true_vin",
                "odometer",
                "true_odometer",
                "true_component",
                "true_position",
            ],
        )
        .filter("spoilt")
        .select(
            pl.lit(file_name).alias("file"),
            pl.col("row").cast(pl.Int64).alias("file_row"),
            "kind",
            "ro_no",
            "vin",
            "true_vin",
            "odometer",
            "true_odometer",
            "true_component",
            "true_position",
        )
    )
