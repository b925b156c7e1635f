from enum import StrEnum


class ReportPermission(StrEnum):
    """A report shows besides only what its own permission opens, branch by branch."""

    VIEW = "reports.view"
    RUN = "reports.run"
    SCHEDULE = "reports.schedule"
