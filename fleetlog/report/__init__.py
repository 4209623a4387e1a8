"""One self-contained HTML report of what the analyses found."""

from fleetlog.report.gather import write_store_report
from fleetlog.report.html import write_report

__all__ = ["write_report", "write_store_report"]
