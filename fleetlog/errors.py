"""The errors that fleetlog raises, in one tree.

Every message is one sentence that says what is wrong, where, and what to do about it.
"""


class FleetlogError(Exception):
    """Root of every error that fleetlog raises on purpose."""


class InputError(FleetlogError):
    """A file, row or argument cannot be used as it is."""


class InvalidLives(InputError, ValueError):
    """Times, events or weights that no estimator can accept."""


class NoInteriorMaximum(InputError, ValueError):
    """The data do not determine the parameters of the model that was asked for."""


class StoreError(FleetlogError):
    """The store cannot do what was asked."""


class StoreBusy(StoreError):
    """Another process held the store for longer than we were ready to wait."""


class StoreVersionError(StoreError):
    """The store was written by another version of the schema."""
