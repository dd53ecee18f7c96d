"""What degrees cost in air, and in drying time. An estimate wherever it is shown.

Along a system curve dp ~ Q^n the shaft power goes with Q^(n + 1), so that Q2/Q1 = exp(-s d/(n + 1)): 3.0 % less air a
degree with the defaults. Other models and other beds give 2.5 to 4.3 % (derived). Drying and cooling fronts move with
the air: the time goes with 1/Q.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

SYSTEM_EXPONENT = 1.5
"""n of the system curve dp ~ Q^n: grain 1.3 to 1.8 (ASABE D272)."""
BAND = (2.5 / 3.0, 4.3 / 3.0)
"""The band of the loss a degree over its middle: 2.5 and 4.3 % where the middle is 3.0 % (derived)."""


def airflow(slope: float, degrees: float, exponent: float = SYSTEM_EXPONENT) -> float:
    """Airflow over airflow now, for so many degrees less, along the system curve dp ~ Q^exponent.

    Parameters
    ----------
    slope : s, share of shaft power a degree [1/degree]
    degrees : degrees less, at least 0
    exponent : 1.3 to 1.8 for grain

    Examples
    --------
    >>> round(airflow(0.075, 2.0), 4)
    0.9418

    References
    ----------
    Power ~ dp Q ~ Q^(n + 1); n from ASABE D272.3.
    """
    return math.exp(-slope * degrees / (exponent + 1.0))


@dataclass(frozen=True)
class Cost:
    """What is left of the air, and how much longer drying takes."""

    airflow_percent: float
    """Airflow left [% of now]."""
    airflow_low: float
    """Lower end of its band [% of now]."""
    airflow_high: float
    """Upper end [% of now]."""

    @property
    def longer_percent(self) -> float:
        """So much longer drying takes [%]."""
        return 100.0 * (100.0 / self.airflow_percent - 1.0)

    @property
    def longer_low(self) -> float:
        """Lower end of its band [%]."""
        return 100.0 * (100.0 / self.airflow_high - 1.0)

    @property
    def longer_high(self) -> float:
        """Upper end [%]."""
        return 100.0 * (100.0 / self.airflow_low - 1.0)

    def said(self) -> str:
        """The cost in words, marked as an estimate; empty where there is none.

        Examples
        --------
        >>> cost_of(100.0 * airflow(0.075, 2.0)).said()
        'about 6 % less air (5 to 8) and so 6 % longer to dry (5 to 9), an estimate'
        """
        less, least, most = (100.0 - left for left in (self.airflow_percent, self.airflow_high, self.airflow_low))
        if less < 0.5:
            return ""
        longer = f"{self.longer_percent:.0f} % longer to dry ({self.longer_low:.0f} to {self.longer_high:.0f})"
        return f"about {less:.0f} % less air ({least:.0f} to {most:.0f}) and so {longer}, an estimate"


def cost_of(airflow_percent: float) -> Cost:
    """The cost that an option's airflow stands for, with its band.

    The figure of an option is all that is needed, as the API and the review give it: the band is a share of the loss.

    Parameters
    ----------
    airflow_percent : airflow left [% of now], above 0 and at most 100

    Examples
    --------
    One degree at the usual belief: 3.0 % less, 2.5 to 4.2 (as shares of what is left 2.5 to 4.3).

    >>> cost = cost_of(100.0 * airflow(0.075, 1.0))
    >>> [round(100.0 - left, 1) for left in (cost.airflow_percent, cost.airflow_high, cost.airflow_low)]
    [3.0, 2.5, 4.2]
    >>> round(cost.longer_percent, 1)
    3.0
    """
    loss = -math.log(airflow_percent / 100.0)
    least, most = BAND
    return Cost(airflow_percent, 100.0 * math.exp(-most * loss), 100.0 * math.exp(-least * loss))
