from __future__ import annotations

from scipy.stats import beta, hypergeom

from nightferry.planning.assurance import of_all_bytes, of_bytes, of_files


def test_nothing_wrong_in_a_whole_sample_reaches_what_was_wanted() -> None:
    files = of_files(100_000, 299, 299, 0, 0.01)
    assert files.is_reached and files.share < 0.01 and files.most == round(files.share * 100_000)
    assert hypergeom.pmf(0, 100_000, files.most + 1, 299) <= 0.05 < hypergeom.pmf(0, 100_000, files.most, 299)
    assert of_bytes(10**12, 299, 299, 0, 0.01).is_reached


def test_cut_short_without_failure_states_what_was_done() -> None:
    files = of_files(100_000, 299, 100, 0, 0.01)
    assert not files.is_reached and not files.counts_undone
    assert files.most == of_files(100_000, 100, 100, 0, 0.01).most
    assert 0.029 < files.share < 0.031  # about 3/100


def test_cut_short_with_a_failure_takes_the_rest_for_failed() -> None:
    files, by_bytes = of_files(100_000, 299, 100, 2, 0.01), of_bytes(10**9, 299, 100, 2, 0.01)
    assert files.counts_undone and by_bytes.counts_undone
    assert files.most == of_files(100_000, 299, 299, 201, 0.01).most
    assert abs(by_bytes.share - beta.ppf(0.95, 202, 98)) < 1e-9


def test_as_many_draws_as_bytes_are_not_all_of_the_bytes() -> None:
    assert not of_bytes(299, 299, 299, 0, 0.01).is_counted
    assert of_bytes(299, 299, 299, 0, 0.01).most == 2
    assert of_all_bytes(299, 0, 0.01).is_counted and of_files(299, 299, 299, 0, 0.01).is_counted


def test_nothing_done_states_nothing() -> None:
    assert of_files(500, 299, 0, 0, 0.01).share == 1.0
    assert of_bytes(500, 299, 0, 0, 0.01).share == 1.0


def test_of_nothing_nothing_can_be_bad() -> None:
    assert of_files(0, 0, 0, 0, 0.01).is_reached
    assert of_bytes(0, 0, 0, 0, 0.01).is_reached


def test_all_files_restored_leaves_none_open() -> None:
    assert of_files(40, 40, 40, 0, 0.01).most == 0
    assert of_files(40, 40, 40, 4, 0.01).most == 4
