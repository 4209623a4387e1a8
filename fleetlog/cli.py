"""The ``fleetlog`` command: its subcommands, in the order of the work, and its exit codes."""

from __future__ import annotations

import sys

import typer

from fleetlog import terminal
from fleetlog.commands.best_interval import best_interval
from fleetlog.commands.comebacks import comebacks
from fleetlog.commands.double_orders import double_orders
from fleetlog.commands.have_ready import have_ready
from fleetlog.commands.loading import corrections, held, load, loads, review, undo_load
from fleetlog.commands.map_columns import map_columns
from fleetlog.commands.part_life import part_life
from fleetlog.commands.part_makers import part_makers
from fleetlog.commands.position_map import position_map
from fleetlog.commands.quality import quality
from fleetlog.commands.repeat_failures import repeat_failures
from fleetlog.commands.replace_together import replace_together
from fleetlog.commands.screens import demo, report, serve
from fleetlog.commands.stores import new_store, rebuild
from fleetlog.commands.technicians import technicians
from fleetlog.commands.vehicle import vehicle
from fleetlog.commands.warning_signs import warning_signs
from fleetlog.errors import FleetlogError
from fleetlog.settings import CAUTION

app = typer.Typer(
    help="Fleet service history and recurring-failure analysis. " + CAUTION,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    add_completion=False,
)

app.command("new-store")(new_store)
app.command("load")(load)
app.command("map-columns")(map_columns)
app.command("loads")(loads)
app.command("held")(held)
app.command("review")(review)
app.command("corrections")(corrections)
app.command("undo-load")(undo_load)
app.command("double-orders")(double_orders)
app.command("quality")(quality)
app.command("technicians")(technicians)
app.command("rebuild")(rebuild)
app.command("vehicle")(vehicle)
app.command("have-ready")(have_ready)
app.command("part-life")(part_life)
app.command("position-map")(position_map)
app.command("repeat-failures")(repeat_failures)
app.command("part-makers")(part_makers)
app.command("comebacks")(comebacks)
app.command("warning-signs")(warning_signs)
app.command("best-interval")(best_interval)
app.command("replace-together")(replace_together)
app.command("report")(report)
app.command("serve")(serve)
app.command("demo")(demo)


def main() -> None:
    """Run the command line: 0 done, 1 refused input, 2 wrong usage."""
    try:
        app()
    except FleetlogError as error:
        terminal.ERR.print(f"fleetlog: {error}", markup=False, soft_wrap=True)
        sys.exit(1)
    except KeyboardInterrupt:
        terminal.ERR.print("fleetlog: interrupted; the store is as it was", markup=False)
        sys.exit(1)
    except OSError as error:
        terminal.ERR.print(
            f"fleetlog: {error.filename or 'the system'}: {error.strerror or error}; "
            "check the path, the rights and the free space",
            markup=False, soft_wrap=True,
        )  # fmt: skip
        sys.exit(1)
