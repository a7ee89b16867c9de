"""From how many parts on a tool is cheaper than printing."""

import math


def break_even(tool_price: float, printed_cost: float, tooled_cost: float, life: int | None = None) -> int | None:
    """Fewest parts for which a tool and its parts cost no more than printed ones.

    Parameters
    ----------
    tool_price : float
        Of one tool [unit of money].
    printed_cost, tooled_cost : float
        Of one part [unit of money].
    life : int, optional
        Parts that one tool makes [-].

    Returns
    -------
    int or None
        None where printing is cheaper at any number.

    Notes
    -----
    ``tool_price / (printed_cost - tooled_cost)``, rounded up.  A tool that is worn out before it has paid
    for itself never does, and neither do those after it.
    """
    saved = printed_cost - tooled_cost
    if saved <= 0:
        return None
    # A quotient that is whole but for rounding is whole.
    parts = math.ceil(tool_price / saved * (1 - 1e-12))
    return None if life is not None and parts > life else max(parts, 1)
