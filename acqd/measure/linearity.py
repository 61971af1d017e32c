"""What a sweeper makes by itself out of a strong input: its harmonics and mixtures.

A product of order n grows n dB for each dB of input. An intercept is the level at which product and
input would meet if both went on growing, so the product lies (n − 1)·(intercept − input) below.
"""

from __future__ import annotations

__all__ = [
    "largest_input_dbm",
    "own_product_dbc",
]


def _check_order(order: int) -> None:
    if order < 2:
        raise ValueError(f"the order of a product must be 2 or more, got {order}")


def own_product_dbc(input_dbm: float, intercept_dbm: float, order: int = 2) -> float:
    """Level of the sweeper's own product in dB over its input: (n − 1)·(input − intercept).

    Args:
        input_dbm: the fundamental at the sweeper's mixer plane; for two equal tones, each of them.
        intercept_dbm: input intercept of that order (SHI for 2, TOI for 3), at the same plane.

    Raises:
        ValueError: an order below 2.

    Source: definition of the intercept; P2 = 2P − SHI, P3 = 3P − 2·TOI (trade practice).
    """
    _check_order(order)
    return (order - 1) * (input_dbm - intercept_dbm)


def largest_input_dbm(
    limit_dbc: float, intercept_dbm: float, margin_db: float, order: int = 2
) -> float:
    """Highest input at which the own product stays ``margin_db`` below the limit.

    intercept + (limit − margin)/(n − 1), with the limit as a negative number of dBc.

    Raises:
        ValueError: an order below 2.
    """
    _check_order(order)
    return intercept_dbm + (limit_dbc - margin_db) / (order - 1)
