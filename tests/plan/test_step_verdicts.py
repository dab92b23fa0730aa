"""What an answer of the finder counts as, where towers with known steps are held against it."""

from banderole.plan.band_finder import Answer, NoStairs, Stairs, Unsure

from tests.benchmarks.verdicts import Totals, told, verdict

TRUE, OTHER = Stairs(2.0, 6.0, 5, 1e-6, ""), Stairs(8.0, 6.0, 4, 1e-6, "")


def test_each_answer_has_one_verdict() -> None:
    answers: tuple[Answer, ...] = (
        TRUE,
        OTHER,
        Unsure("", (TRUE, OTHER)),
        Unsure("", (OTHER, TRUE)),
        Unsure(""),
        NoStairs(""),
    )
    assert [verdict(one, lambda steps: steps == TRUE) for one in answers] == [
        "sure, right", "sure and wrong", "likely, right", "likely, wrong", "none found", "none found",
    ]  # fmt: skip
    assert [verdict(one, None) for one in answers] == [
        "sure and wrong", "sure and wrong", "likely", "likely", "likely", "none, right",
    ]  # fmt: skip
    assert told(Unsure("", (TRUE,))) == "2.00 + 5 × 6.00 ?"


def test_right_ones_are_counted_whether_sure_or_likely_and_none_may_be_sure_and_wrong() -> None:
    totals = Totals()
    for said, times in (("sure, right", 7), ("likely, right", 2), ("none found", 1)):
        for _ in range(times):
            totals.add("rings", True, said)
    assert "right rise and plinth: 9 of 10\nsure and wrong: 0" in totals.table()
    assert totals.met
    totals.add("a cone", False, "sure and wrong")
    assert "sure and wrong: 1" in totals.table()
    assert not totals.met
