"""What the maintenance lead plans from: pure functions over frames, with n and intervals everywhere."""

from data_tools.trends.agreement import miss_rate, technician_and_model, technicians
from data_tools.trends.attention import Notice, Topic, attention
from data_tools.trends.charts import site_over_weeks, sites_compared
from data_tools.trends.coverage import overdue_units, roster_coverage
from data_tools.trends.frames import SHARE_COLUMNS, Figure, TrendData, between, last_weeks
from data_tools.trends.lifetimes import LifetimeFigure, coupler_lifetimes, time_to_first_damage
from data_tools.trends.rates import By, damage_rate
from data_tools.trends.recurrence import recurrence
from data_tools.trends.watch import weekly_watch

__all__ = [
    "SHARE_COLUMNS",
    "By",
    "Figure",
    "LifetimeFigure",
    "Notice",
    "Topic",
    "TrendData",
    "attention",
    "between",
    "coupler_lifetimes",
    "damage_rate",
    "last_weeks",
    "miss_rate",
    "overdue_units",
    "recurrence",
    "roster_coverage",
    "site_over_weeks",
    "sites_compared",
    "technician_and_model",
    "technicians",
    "time_to_first_damage",
    "weekly_watch",
]
