"""Pure functions from a result to a Plotly figure; no identifiers, no queries, no screen.

Every figure carries its caption, with the sample size, in ``figure.layout.meta["caption"]``: the
page or the report sets it in text below the figure, where it can wrap.
"""

from dashboards.figures.comebacks import comebacks_figure
from dashboards.figures.incidence import incidence_figure
from dashboards.figures.interval import interval_figure
from dashboards.figures.parts import caption_of, empty_figure
from dashboards.figures.survival import survival_figure
from dashboards.figures.timeline import timeline_figure

__all__ = [
    "caption_of",
    "comebacks_figure",
    "empty_figure",
    "incidence_figure",
    "interval_figure",
    "survival_figure",
    "timeline_figure",
]
