"""Which feed gives what a job needs."""

from spoolkeep.domain.feeding import Need, Share, shares

BLACK, WHITE, RED = 1, 2, 3


def test_a_need_with_a_feed_is_given_by_it() -> None:
    assert shares([Need(5, feed_id=11)], {11: BLACK, 12: WHITE}) == ({11: Share(5)}, [])


def test_a_need_without_a_feed_is_given_by_the_one_that_carries_its_item() -> None:
    assert shares([Need(5, WHITE)], {11: BLACK, 12: WHITE}) == ({12: Share(5, WHITE)}, [])


def test_what_a_job_purges_on_a_feed_is_added() -> None:
    given, _ = shares([Need(5, WHITE, 12), Need(2, None, 12)], {12: WHITE})
    assert given == {12: Share(7, WHITE)}


def test_a_machine_of_one_feed_gives_it_whatever_is_on_it() -> None:
    assert shares([Need(5, RED)], {11: BLACK}) == ({11: Share(5, RED)}, [])
    assert shares([Need(5, RED)], {11: None}) == ({11: Share(5, RED)}, [])


def test_where_several_feeds_could_give_it_nobody_is_told() -> None:
    given, homeless = shares([Need(5, BLACK), Need(6, RED)], {11: BLACK, 12: WHITE, 13: None})
    assert given == {11: Share(5, BLACK)}
    assert homeless == [Need(6, RED)]


def test_the_last_free_feed_gives_what_is_left_over() -> None:
    given, homeless = shares([Need(5, BLACK), Need(6, RED)], {11: BLACK, 12: WHITE})
    assert given[12] == Share(6, RED)
    assert homeless == []


def test_a_feed_of_another_machine_counts_as_none() -> None:
    assert shares([Need(5, BLACK, feed_id=99)], {11: BLACK})[0] == {11: Share(5, BLACK)}
