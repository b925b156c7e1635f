from enum import StrEnum


class PluginPermission(StrEnum):
    VIEW = "plugins.view"
    MANAGE = "plugins.manage"


class CalculatorPermission(StrEnum):
    VIEW = "calculators.view"
    RUN = "calculators.run"
