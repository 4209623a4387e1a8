"""What the vehicle record shows of torques written down."""

from datetime import date

import polars as pl

from dashboards.pages import vehicle_state


def test_a_doubted_torque_says_why_beside_it() -> None:
    said = "12 times the median of 9 fellows (11 N m): perhaps meant as in-lb"
    torques = pl.DataFrame(
        {
            "opened_on": [date(2024, 5, 6)] * 2,
            "shop": ["North Yard"] * 2,
            "ro_no": ["N1", "N2"],
            "fastener": ["valve cover bolt"] * 2,
            "value": [95.0, 97.0],
            "unit": ["ft-lb", "in-lb"],
            "newton_metres": [128.8, 11.0],
            "doubt": [said, None],
        }
    )
    shown = str(vehicle_state.torques_section(torques))
    assert f"95 ft-lb, in doubt: {said}" in shown
    assert shown.count("in doubt") == 1
