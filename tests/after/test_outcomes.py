"""Fisher and Wilson against worked examples in print, and against scipy."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest, hypergeom

from watcher.after import effect, fisher_p


@pytest.mark.parametrize(
    ("table", "p"),
    [
        # Fisher 1935, The Design of Experiments: the lady tasting tea. All right: 1 in 70 each way.
        ((4, 4, 0, 4), 2 / 70),
        # One pair wrong: 17 in 70 each way (Agresti, Categorical Data Analysis, 3.5).
        ((3, 4, 1, 4), 34 / 70),
        # Fisher 1934, Statistical Methods for Research Workers: convictions of like-sexed twins of
        # criminals, 10 of 13 monozygotic and 2 of 17 dizygotic; two-sided p from memory.
        ((10, 13, 2, 17), 0.000537),
    ],
)
def test_fisher_against_printed_examples(table, p):
    assert fisher_p(*table) == pytest.approx(p, rel=2e-3)


@given(st.integers(0, 12), st.integers(0, 12), st.integers(0, 12), st.integers(0, 12))
def test_fisher_is_the_sum_of_tables_no_likelier(bad_a, good_a, bad_b, good_b):
    n, k, drawn = bad_a + good_a + bad_b + good_b, bad_a + bad_b, bad_a + good_a
    if not n:
        return
    law = hypergeom(n, k, drawn)
    here = law.pmf(bad_a)
    support = range(max(0, drawn - (n - k)), min(k, drawn) + 1)
    total = sum(law.pmf(x) for x in support if law.pmf(x) <= here * (1 + 1e-7))
    assert fisher_p(bad_a, drawn, bad_b, bad_b + good_b) == pytest.approx(min(total, 1.0), rel=1e-6)


def test_impossible_counts_are_refused():
    with pytest.raises(ValueError, match="failures"):
        fisher_p(5, 4, 0, 1)


# Newcombe, Statistics in Medicine 17 (1998) 857-872, table I, method 3: 81/263, 15/148, 0/20, 1/29.
@pytest.mark.parametrize(
    ("failed", "runs", "low", "high"),
    [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_groups_carry_wilsons_interval(failed, runs, low, high):
    found = effect("brim_width", ["5"] * runs, [n < failed for n in range(runs)])
    (group,) = found.groups
    assert group.low == pytest.approx(low, abs=6e-5)
    assert group.high == pytest.approx(high, abs=6e-5)
    scipy = binomtest(failed, runs).proportion_ci(method="wilson")
    assert (group.low, group.high) == pytest.approx((scipy.low, scipy.high), abs=1e-9)


def test_effect_groups_equal_numbers_however_written():
    found = effect("brim_width", ["5", "5.0", "0", "0.00"], [False, False, True, True])
    assert [(g.label, g.runs, g.failed) for g in found.groups] == [("0", 2, 2), ("5", 2, 0)]
    assert found.p == pytest.approx(fisher_p(2, 2, 0, 2))


def test_a_sentence_is_never_a_bare_percentage():
    said = effect("brim_width", ["5", "0", "0"], [False, True, True], others=2).sentence()
    assert "of 2 failed" in said
    assert "95 %" in said
    assert "may well be chance" in said


def test_a_clear_effect_is_told_and_others_that_vary_are_warned_of():
    found = effect("brim", ["8"] * 10 + ["0"] * 10, [False] * 10 + [True] * 10, others=1)
    assert "unlikely to be chance" in found.sentence()
    assert "one other setting" in found.warning
    assert effect("brim", ["8", "0"], [False, True]).warning == ""


def test_many_numbers_are_split_at_their_median():
    values = [str(v) for v in (235, 240, 245, 250, 255, 260)]
    found = effect("temperature", values, [True] * 3 + [False] * 3)
    assert {(g.label, g.failed, g.runs) for g in found.groups} == {
        ("245 or less", 3, 3),
        ("more than 245", 0, 3),
    }


def test_one_value_says_nothing():
    found = effect("brim", ["8", "8"], [False, True])
    assert found.p is None
    assert "nothing can be said" in found.sentence()
