"""Statistics for the lead's figures: thin, typed wrappers over SciPy, statsmodels and lifelines.

Every result is a frozen record that carries its n; what cannot be computed is ``None``.
"""

from data_tools.statistics.agreement import Kappa, McNemar, kappa, kappa_of_pairs, mcnemar
from data_tools.statistics.control_charts import (
    RUN_RULES,
    ControlChart,
    Rule,
    c_chart,
    laney_p_chart,
    p_chart,
    u_chart,
)
from data_tools.statistics.proportions import (
    rule_of_three,
    upper_bound,
    wilson,
    zero_failures_needed,
)
from data_tools.statistics.survival import GroupTest, SurvivalCurve, gehan_wilcoxon, kaplan_meier, log_rank
from model.metrics import Proportion, clopper_pearson, clopper_pearson_bounds, expected_calibration_error

__all__ = [
    "RUN_RULES",
    "ControlChart",
    "GroupTest",
    "Kappa",
    "McNemar",
    "Proportion",
    "Rule",
    "SurvivalCurve",
    "c_chart",
    "clopper_pearson",
    "clopper_pearson_bounds",
    "expected_calibration_error",
    "gehan_wilcoxon",
    "kaplan_meier",
    "kappa",
    "kappa_of_pairs",
    "laney_p_chart",
    "log_rank",
    "mcnemar",
    "p_chart",
    "rule_of_three",
    "u_chart",
    "upper_bound",
    "wilson",
    "zero_failures_needed",
]
