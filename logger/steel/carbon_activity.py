"""Carbon activity in austenite (graphite = 1) and the carbon an activity holds."""

import numpy as np

from logger.steel.composition import carbon_site_fraction, carbon_wt_pct_of_site_fraction
from logger.units import FloatArray

LOWEST_ACTIVITY, HIGHEST_ACTIVITY = 0.0, 2.0
"""Activities a pack may be given; cementite-saturated iron is at 1.23 (727 C) to 1.03 (1100 C)."""


def log_carbon_activity(temperature_K: FloatArray, carbon_wt_pct: FloatArray) -> FloatArray:
    """Natural logarithm of the carbon activity [-] in austenite, graphite = 1.

    ln a = ln[y/(1 - y)] + (5115.9 + 8339.9 y)/T - 1.9096, y carbon atoms per iron atom.

    Parameters
    ----------
    temperature_K : array         metal temperature [K]; 1000 to 1700 K
    carbon_wt_pct : array         carbon in austenite [wt%], above 0 to about 2.6

    Returns    array, broadcast   ln a [-]
    Source     P. Gustafson, Scandinavian Journal of Metallurgy 14 (1985) 259, restated for austenite
    """
    y, T = carbon_site_fraction(carbon_wt_pct), temperature_K
    result: FloatArray = np.log(y / (1.0 - y)) + (5115.9 + 8339.9 * y) / T - 1.9096
    return result


def carbon_at_activity_wt_pct(temperature_K: FloatArray, activity: FloatArray) -> FloatArray:
    """Carbon [wt%] of plain austenite at a carbon activity; on the graphite line for activity 1.

    Parameters
    ----------
    temperature_K : array         metal temperature [K]; 1000 to 1700 K
    activity : array              carbon activity [-], 0 to 2

    Returns    array, broadcast   carbon [wt%]; above the solidus the metastable continuation of austenite
    Source     inverse of P. Gustafson, Scandinavian Journal of Metallurgy 14 (1985) 259, restated for austenite
    """
    T, a = np.broadcast_arrays(np.asarray(temperature_K, float), np.asarray(activity, float))
    # y/(1-y) exp(k y) = b is monotone in y; Newton in ln(y/(1-y)), where it is nearly a straight line.
    log_b = np.log(np.maximum(a, 1e-300)) - 5115.9 / T + 1.9096
    logit = np.minimum(log_b, 0.0)
    for _ in range(12):
        y = 1.0 / (1.0 + np.exp(-logit))
        logit = logit - (logit + 8339.9 * y / T - log_b) / (1.0 + 8339.9 * y * (1.0 - y) / T)
    y = np.where(a > 0.0, 1.0 / (1.0 + np.exp(-logit)), 0.0)
    result: FloatArray = carbon_wt_pct_of_site_fraction(y)
    return result
