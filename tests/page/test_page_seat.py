"""The one seat at the bench without a browser: who has it, and when a tab has gone that had it."""

import pytest

from twonode.console.page.seat import GONE_S, LOADING_S, NotYourBench, Seat


class Clock:
    now_s = 0.0

    def __call__(self):
        return self.now_s


@pytest.fixture
def clock():
    return Clock()


def test_the_first_tab_has_the_bench_and_the_second_looks_on(clock):
    seat = Seat(clock=clock)
    seat.arrive("first")
    seat.arrive("second")
    seat.require("first")
    with pytest.raises(NotYourBench, match="Another tab"):
        seat.require("second")
    with pytest.raises(NotYourBench):
        seat.require(None)


def test_a_reload_keeps_the_seat_and_a_closed_tab_does_not(clock):
    seat = Seat(clock=clock)
    seat.arrive("first")
    seat.arrive("second")
    # Asked for while the old page is still connected, as browsers do.
    seat.expect("a visit")
    seat.depart("first")
    clock.now_s += LOADING_S - 0.1
    assert seat.look() is None
    seat.arrive("first", "a visit")
    clock.now_s += 100
    assert seat.look() is None
    seat.depart("first")
    clock.now_s += GONE_S + 0.1
    assert seat.look() == "first"
    assert seat.look() is None
    with pytest.raises(NotYourBench, match="nobody has the bench"):
        seat.require("second")
    assert seat.take("second")
    assert not seat.take("third")
    seat.require("second")


def test_a_connection_that_comes_back_at_once_keeps_the_seat(clock):
    seat = Seat(clock=clock)
    seat.arrive("first")
    seat.depart("first")
    clock.now_s += GONE_S - 0.1
    assert seat.look() is None
    seat.arrive("first")
    clock.now_s += 100
    assert seat.look() is None
    assert seat.mine("first")


def test_a_connection_that_overlaps_with_the_old_one_keeps_the_seat(clock):
    seat = Seat(clock=clock)
    seat.arrive("first")
    seat.arrive("first")
    seat.depart("first")
    clock.now_s += 100
    assert seat.look() is None
    assert seat.mine("first")


def test_a_page_that_never_connects_keeps_no_seat(clock):
    seat = Seat(clock=clock)
    seat.arrive("first")
    seat.expect("a look without a browser")
    seat.depart("first")
    clock.now_s += LOADING_S + 0.1
    assert seat.look() == "first"


def test_a_page_that_another_tab_loaded_keeps_no_seat_once_it_is_there(clock):
    seat = Seat(clock=clock)
    seat.arrive("first")
    seat.expect("another tab's visit")
    seat.depart("first")
    clock.now_s += GONE_S + 0.1
    assert seat.look() is None
    seat.arrive("second", "another tab's visit")
    assert seat.look() == "first"


def test_whoever_looks_on_hears_of_a_change(clock):
    seat = Seat(clock=clock)
    changes = []
    seat.on_change.append(lambda: changes.append(seat.holder))
    seat.arrive("first")
    seat.depart("first")
    clock.now_s += GONE_S + 1
    seat.look()
    seat.arrive("second")
    assert changes == ["first", None, "second"]
