"""Time from current by Peukert's law, and its exponent from two ratings.

W. Peukert, "Über die Abhängigkeit der Kapazität von der Entladestromstärke bei Bleiakkumulatoren", Elektrotechnische
Zeitschrift 20 (1897) 287. Exponents: lead flooded 1.2 to 1.6, absorbed glass mat 1.05 to 1.15 (retailer's tutorial);
lithium iron phosphate 1.02 to 1.05 (from memory).

The law is used in its normalised form, tied to the rating's own hours. The short form t = C / I^k that is often
printed measures capacity in units of A^k h; with a rated capacity put in it is wrong by (C / H)^(k - 1) even at the
rated current: 14.5 h for a 100 Ah, 20 h block at 5 A and k = 1.2, where 20 h is right by definition.
"""

from __future__ import annotations

import math


def peukert_hours(current_a: float, capacity_ah: float, rating_h: float, exponent: float) -> float:
    """Return how long a full battery gives ``current_a``, h.

    t = H (C / (I H))^k

    Args:
        current_a: A, > 0.
        capacity_ah: rated capacity, Ah, > 0.
        rating_h: the hours that rating holds for, such as 20, > 0.
        exponent: Peukert's k, >= 1; 1 is a battery that gives the same charge at any current.

    Raises:
        ValueError: an argument outside its range.
    """
    if min(current_a, capacity_ah, rating_h) <= 0.0 or exponent < 1.0:
        raise ValueError("current, capacity and hours must be above 0 and the exponent at least 1")
    return float(rating_h * (capacity_ah / (current_a * rating_h)) ** exponent)


def peukert_current(hours: float, capacity_ah: float, rating_h: float, exponent: float) -> float:
    """Return the current (A) that empties a full battery in ``hours``: the inverse of :func:`peukert_hours`.

    Raises:
        ValueError: an argument outside its range.
    """
    if min(hours, capacity_ah, rating_h) <= 0.0 or exponent < 1.0:
        raise ValueError("hours and capacity must be above 0 and the exponent at least 1")
    return float(capacity_ah / rating_h * (rating_h / hours) ** (1.0 / exponent))


def peukert_exponent(capacity_1_ah: float, hours_1: float, capacity_2_ah: float, hours_2: float) -> float:
    """Return Peukert's k from two ratings, such as 100 Ah in 20 h and 90 Ah in 10 h.

    k = (ln t2 - ln t1) / (ln I1 - ln I2)

    Raises:
        ValueError: a rating that is not above 0, or two ratings at the same current.
    """
    if min(capacity_1_ah, hours_1, capacity_2_ah, hours_2) <= 0.0:
        raise ValueError("ratings must be above 0")
    current_1, current_2 = capacity_1_ah / hours_1, capacity_2_ah / hours_2
    if math.isclose(current_1, current_2, rel_tol=1e-9):
        raise ValueError("two ratings at the same current tell no exponent")
    return (math.log(hours_2) - math.log(hours_1)) / (math.log(current_1) - math.log(current_2))
