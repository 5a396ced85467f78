"""From a figure's data to its drawing: which module draws which kind."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from reports.figures import (
    acuity_drawing,
    case_drawing,
    cause_graph_drawing,
    completeness_drawing,
    dose_response_drawing,
    flow_drawing,
    forest_drawing,
    funnel_drawing,
    incidence_drawing,
    monitoring_drawing,
    survival_drawing,
    trade_off_drawing,
)
from reports.figures.canvas import Drawing
from reports.figures.dose_specs import CauseGraphFigure, TradeOffFigure
from reports.figures.specs import (
    AcuityFigure,
    CaseTimeline,
    CompletenessFigure,
    DoseResponseFigure,
    FigureSpec,
    FlowFigure,
    ForestFigure,
    FunnelFigure,
    IncidenceFigure,
    MonitoringFigure,
    SurvivalFigure,
)

_DRAWN_BY: dict[type, Callable[..., Drawing]] = {
    SurvivalFigure: survival_drawing.draw,
    IncidenceFigure: incidence_drawing.draw,
    FlowFigure: flow_drawing.draw,
    CompletenessFigure: completeness_drawing.draw,
    ForestFigure: forest_drawing.draw,
    AcuityFigure: acuity_drawing.draw,
    FunnelFigure: funnel_drawing.draw,
    MonitoringFigure: monitoring_drawing.draw,
    DoseResponseFigure: dose_response_drawing.draw,
    TradeOffFigure: trade_off_drawing.draw,
    CauseGraphFigure: cause_graph_drawing.draw,
    CaseTimeline: case_drawing.draw,
}


def draw(spec: FigureSpec, prefix: str, *, narrow: bool = False) -> Drawing:
    """Draw any figure; ids in the SVG start with ``prefix``, which also salts its hashes."""
    drawer: Callable[..., Any] | None = _DRAWN_BY.get(type(spec))
    if drawer is None:
        raise ValueError(f"no drawing for {type(spec).__name__}")
    drawing = drawer(spec, prefix, narrow=narrow)
    assert isinstance(drawing, Drawing)
    return drawing
