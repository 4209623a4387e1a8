"""Build the lives of every vehicle anew, as after a new version of the way they are built."""

from fleetlog.lives.build import rebuild
from fleetlog.sql import read_sql
from fleetlog.store import Store


def rebuild_all(store: Store) -> int:
    """Rebuild meters, spans, links, events and lives of all vehicles; return their number.

    One transaction; n log n in the rows of the store.
    """
    with store.write() as connection:
        connection.execute(read_sql("lives", "touch_all")).fetchall()
        rebuild(connection, distance_unit=store.distance_unit)
        vehicles: int = connection.execute("SELECT count(*) FROM touched_vehicle").fetchall()[0][0]
    return vehicles
