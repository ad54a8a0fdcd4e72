"""Statistics of repeated runs and comparisons against certified and published numbers.

NIST: Statistical Reference Datasets (StRD), univariate summary statistics, National Institute of Standards and
Technology: certified mean, standard deviation and lag-1 autocorrelation beside each set. NumAcc2 to 4 are made by
the rule in their headers, the others are copied as published there.
"""

from math import log10

import pytest

from bench.comparing.statistics import holm, lag_1, share_at_most, summary, tolerance_factor

MAVRO = [
    2.0 + digits * 1e-5
    for digits in (
        180, 170, 180, 190, 180, 170, 150, 140, 150, 150, 170, 180, 180, 190, 190, 210, 200, 160, 140, 130, 130, 150,
        150, 160, 150, 140, 130, 140, 150, 140, 150, 160, 150, 160, 190, 200, 200, 210, 220, 230, 240, 250, 270, 260,
        260, 260, 270, 260, 250, 240,
    )
]  # fmt: skip
MICHELSO = [
    round(299 + digits / 100, 2)
    for digits in (
        85, 74, 90, 107, 93, 85, 95, 98, 98, 88, 100, 98, 93, 65, 76, 81, 100, 100, 96, 96, 96, 94, 96, 94, 88, 80, 85,
        88, 90, 84, 83, 79, 81, 88, 88, 83, 80, 79, 76, 80, 88, 88, 88, 86, 72, 72, 62, 86, 97, 95, 88, 91, 85, 87, 84,
        84, 85, 84, 84, 84, 89, 81, 81, 82, 80, 77, 76, 74, 75, 76, 91, 92, 89, 86, 88, 72, 84, 85, 85, 78, 89, 84, 78,
        81, 76, 81, 79, 81, 82, 85, 87, 87, 81, 74, 81, 94, 95, 80, 81, 87,
    )
]  # fmt: skip


LEW = [
    -213, -564, -35, -15, 141, 115, -420, -360, 203, -338, -431, 194, -220, -513, 154, -125, -559, 92, -21,
    -579, -52, 99, -543, -175, 162, -457, -346, 204, -300, -474, 164, -107, -572, -8, 83, -541, -224, 180, -420,
    -374, 201, -236, -531, 83, 27, -564, -112, 131, -507, -254, 199, -311, -495, 143, -46, -579, -90, 136, -472,
    -338, 202, -287, -477, 169, -124, -568, 17, 48, -568, -135, 162, -430, -422, 172, -74, -577, -13, 92, -534,
    -243, 194, -355, -465, 156, -81, -578, -64, 139, -449, -384, 193, -198, -538, 110, -44, -577, -6, 66, -552,
    -164, 161, -460, -344, 205, -281, -504, 134, -28, -576, -118, 156, -437, -381, 200, -220, -540, 83, 11,
    -568, -160, 172, -414, -408, 188, -125, -572, -32, 139, -492, -321, 205, -262, -504, 142, -83, -574, 0, 48,
    -571, -106, 137, -501, -266, 190, -391, -406, 194, -186, -553, 83, -13, -577, -49, 103, -515, -280, 201,
    300, -506, 131, -45, -578, -80, 138, -462, -361, 201, -211, -554, 32, 74, -533, -235, 187, -372, -442, 182,
    -147, -566, 25, 68, -535, -244, 194, -351, -463, 174, -125, -570, 15, 72, -550, -190, 172, -424, -385, 198,
    -218, -536, 96,
]  # fmt: skip
LOTTERY = [
    162, 671, 933, 414, 788, 730, 817, 33, 536, 875, 670, 236, 473, 167, 877, 980, 316, 950, 456, 92, 517, 557,
    956, 954, 104, 178, 794, 278, 147, 773, 437, 435, 502, 610, 582, 780, 689, 562, 964, 791, 28, 97, 848, 281,
    858, 538, 660, 972, 671, 613, 867, 448, 738, 966, 139, 636, 847, 659, 754, 243, 122, 455, 195, 968, 793, 59,
    730, 361, 574, 522, 97, 762, 431, 158, 429, 414, 22, 629, 788, 999, 187, 215, 810, 782, 47, 34, 108, 986,
    25, 644, 829, 630, 315, 567, 919, 331, 207, 412, 242, 607, 668, 944, 749, 168, 864, 442, 533, 805, 372, 63,
    458, 777, 416, 340, 436, 140, 919, 350, 510, 572, 905, 900, 85, 389, 473, 758, 444, 169, 625, 692, 140, 897,
    672, 288, 312, 860, 724, 226, 884, 508, 976, 741, 476, 417, 831, 15, 318, 432, 241, 114, 799, 955, 833, 358,
    935, 146, 630, 830, 440, 642, 356, 373, 271, 715, 367, 393, 190, 669, 8, 861, 108, 795, 269, 590, 326, 866,
    64, 523, 862, 840, 219, 382, 998, 4, 628, 305, 747, 247, 34, 747, 729, 645, 856, 974, 24, 568, 24, 694, 608,
    480, 410, 729, 947, 293, 53, 930, 223, 203, 677, 227, 62, 455, 387, 318, 562, 242, 428, 968,
]  # fmt: skip


def num_acc(c):
    """NumAcc2 to 4: c.2, then 500 pairs of c.1 and c.3."""
    return [float(f"{c}.{tenth}") for tenth in (2, *[1, 3] * 500)]


@pytest.mark.parametrize(
    ("values", "mean", "sd", "r1", "digits"),
    [
        (LOTTERY, 518.958715596330, 291.699727470969, -0.120948622967393, 14),
        (LEW, -177.435000000000, 277.332168044316, -0.307304800605679, 14),
        (MAVRO, 2.00185600000000, 0.000429123454003053, 0.937989183438248, 12),
        (MICHELSO, 299.852400000000, 0.0790105478190518, 0.535199668621283, 13),
        ([10000001.0, 10000003.0, 10000002.0], 10000002, 1, -0.5, 15),
        (num_acc(1), 1.2, 0.1, -0.999, 13),
        (num_acc(1000000), 1000000.2, 0.1, -0.999, 8),  # the doubles nearest to the data carry no more
        (num_acc(10000000), 10000000.2, 0.1, -0.999, 7),
    ],
    ids=["Lottery", "Lew", "Mavro", "Michelso", "NumAcc1", "NumAcc2", "NumAcc3", "NumAcc4"],
)
def test_nist_univariate(values, mean, sd, r1, digits):
    found = summary(values)
    assert right_digits(found.mean, mean) >= 14
    assert right_digits(found.sd, sd) >= digits
    assert right_digits(lag_1(values), r1) >= min(digits, 12)


def right_digits(value, certified):
    """The log relative error in which results on the reference sets are usually stated."""
    return 15.0 if value == certified else -log10(abs(value - certified) / abs(certified))


@pytest.mark.parametrize(("n", "k"), [(3, 7.656), (5, 4.203), (10, 2.911), (20, 2.396), (30, 2.220), (100, 1.927)])
def test_one_sided_tolerance_factors(n, k):
    """ISO 16269-6:2014, one-sided, standard deviation unknown, 95 % of the population with 95 % confidence (from
    memory; the values are also those of the non-central t distribution)."""
    assert tolerance_factor(n) == pytest.approx(k, abs=6e-4)


@pytest.mark.parametrize(("n", "share"), [(10, 0.26), (30, 0.095), (59, 0.05), (100, 0.03), (300, 0.01)])
def test_n_passes_without_a_fail(n, share):
    """1 - 0.05^(1/n): Clopper and Pearson 1934 for no fail. 59 is the sample size for 95 % / 95 % of common tables."""
    assert share_at_most(0, n) == pytest.approx(1 - 0.05 ** (1 / n), rel=1e-12)
    assert share_at_most(0, n) == pytest.approx(share, rel=0.02)


def test_holm():
    """Holm, Scand. J. Statist. 6 (1979): the i-th smallest p of m is multiplied by m - i + 1, and never falls.

    Worked by hand: 4 x 0.005, 3 x 0.01, 2 x 0.03 and 0.04, which may not be below 0.06.
    """
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
