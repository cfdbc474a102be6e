"""How likely a piece is lost at a strength, when to demold, and why pieces are lost."""

from inspector.risk.causes import (
    Cause,
    ColdLoss,
    MoldHistory,
    MoldTrend,
    PourLoss,
    Wear,
    YoungLoss,
    find_trend,
)
from inspector.risk.charts import RunningSum, ShareChart, share_chart
from inspector.risk.designs import DesignEvidence, MoldEstimate
from inspector.risk.differences import LossesCompared, LossGroup, compare_losses, difference_of_shares
from inspector.risk.effects import Effects
from inspector.risk.evidence import Evidence, gather_evidence, join_evidence
from inspector.risk.features import fit_features
from inspector.risk.fragility import loss_probability
from inspector.risk.intervals import HIGH, LOW, Interval, exact_interval, interval, weighted_quantile
from inspector.risk.learning import BadPour, Learnt, learn, pour_spread
from inspector.risk.pooling import MoldRisk, Population, estimate_mold, mold_risk, with_change
from inspector.risk.prior import FEATURE_PRIOR, PRACTICE_PRIOR, ParameterPrior, Prior
from inspector.risk.window import (
    Costs,
    DemoldWindow,
    MorePieces,
    StrengthByAge,
    cost_per_good_piece,
    earliest_age,
    find_window,
    first_age_under,
    loss_at,
    loss_by_age,
    mean_loss,
    strength_needed,
)

__all__ = [
    "FEATURE_PRIOR",
    "HIGH",
    "LOW",
    "PRACTICE_PRIOR",
    "BadPour",
    "Cause",
    "ColdLoss",
    "Costs",
    "DemoldWindow",
    "DesignEvidence",
    "Effects",
    "Evidence",
    "Interval",
    "Learnt",
    "LossGroup",
    "LossesCompared",
    "MoldEstimate",
    "MoldHistory",
    "MoldRisk",
    "MoldTrend",
    "MorePieces",
    "ParameterPrior",
    "Population",
    "PourLoss",
    "Prior",
    "RunningSum",
    "ShareChart",
    "StrengthByAge",
    "Wear",
    "YoungLoss",
    "compare_losses",
    "cost_per_good_piece",
    "difference_of_shares",
    "earliest_age",
    "estimate_mold",
    "exact_interval",
    "find_trend",
    "find_window",
    "first_age_under",
    "fit_features",
    "gather_evidence",
    "interval",
    "join_evidence",
    "learn",
    "loss_at",
    "loss_by_age",
    "loss_probability",
    "mean_loss",
    "mold_risk",
    "pour_spread",
    "share_chart",
    "strength_needed",
    "weighted_quantile",
    "with_change",
]
