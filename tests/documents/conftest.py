"""The invented plan as fixtures, with and without a band of flows."""

from dataclasses import replace

import pytest
from invented import demo_report

from optimizer.model.outcome import PlanReport


@pytest.fixture
def report() -> PlanReport:
    return demo_report()


@pytest.fixture
def report_with_band(report: PlanReport) -> PlanReport:
    flows = report.verification.flows_m3_s
    return replace(report, band={run: (0.9 * flow, 1.1 * flow) for run, flow in flows.items()})
