"""The one way to reach the .sql files of the package."""

from functools import cache
from importlib.resources import files


@cache
def read_sql(package: str, name: str) -> str:
    """Return the text of ``name``.sql in the folder ``sql`` of ``fleetlog.<package>``."""
    return (files(f"fleetlog.{package}") / "sql" / f"{name}.sql").read_text(encoding="utf-8")
