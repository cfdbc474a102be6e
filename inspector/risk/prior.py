"""What is known before the first piece is demolded.

No handbook gives losses of ornamental pieces against strength: every number here is common practice, no source, and
moves with the evidence. Practice demolds thin ornaments after one to three days at 20 degC, at strength fractions of
about 0.35 to 0.6, counts a few broken pieces in a hundred as bad luck, and loses most of what is opened within half a
day, at about 0.2.
"""

from dataclasses import dataclass
from math import log

__all__ = [
    "DESIGN_SHARE_LOGIT",
    "DESIGN_SHARE_LOGIT_SD",
    "FEATURE_PRIOR",
    "PRACTICE_PRIOR",
    "ParameterPrior",
    "Prior",
]


@dataclass(frozen=True, slots=True)
class ParameterPrior:
    """Where the molds' values of one parameter lie: normal around a centre, both centre and spread unknown."""

    centre: float
    centre_sd: float
    """Of the centre, normal."""
    spread: float
    """Median of the standard deviation from mold to mold."""
    spread_log_sd: float
    """Of the logarithm of that standard deviation, normal."""


@dataclass(frozen=True, slots=True)
class Prior:
    """Of the logarithms of r10 (see `fragility`) and beta, of the logit of the floor, and of what conditions do."""

    log_tenth: ParameterPrior
    log_beta: ParameterPrior
    logit_floor: ParameterPrior
    condition_sd: float
    """A condition moves ln r10 and ln theta by so much: 0.15 is some hours of a second day."""


PRACTICE_PRIOR = Prior(
    log_tenth=ParameterPrior(centre=log(0.36), centre_sd=0.15, spread=0.13, spread_log_sd=0.5),
    log_beta=ParameterPrior(centre=log(0.25), centre_sd=0.2, spread=0.15, spread_log_sd=0.4),
    logit_floor=ParameterPrior(centre=log(0.006 / 0.994), centre_sd=0.6, spread=0.5, spread_log_sd=0.4),
    condition_sd=0.15,
)

# Of one feature beside the whole mold: it breaks less often than any feature at all, so at a lower strength.
FEATURE_PRIOR = Prior(
    log_tenth=ParameterPrior(centre=-0.15, centre_sd=0.15, spread=0.12, spread_log_sd=0.5),
    log_beta=ParameterPrior(centre=log(0.25), centre_sd=0.2, spread=0.15, spread_log_sd=0.4),
    logit_floor=ParameterPrior(centre=log(0.002 / 0.998), centre_sd=0.6, spread=0.5, spread_log_sd=0.4),
    condition_sd=0.15,
)

# Of the variance from mold to mold, the share that lies between designs; normal in its logit. Thin parts and undercuts
# are the design's and decide most; wear, material and the way of a hall are each mold's own. So molds of one design
# lie half as far apart as any two do.
DESIGN_SHARE_LOGIT = log(0.75 / 0.25)
DESIGN_SHARE_LOGIT_SD = 1.0
