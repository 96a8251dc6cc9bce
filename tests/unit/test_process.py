"""The process that computes: what is told of one that is late."""

import threading

import pytest

from tareline.compute.process import Process, ProcessError


class PromptTimer(threading.Timer):
    """A timer that has always run out before the thread that started it goes on."""

    def start(self) -> None:
        super().start()
        if self.interval < 10:  # the one of an answer, not the one of a process that rests
            self.join()


def test_an_answer_that_is_late_is_told_as_late_however_the_threads_take_turns(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(threading, "Timer", PromptTimer)
    one = Process("tareline.compute.load")
    try:
        with pytest.raises(ProcessError, match=r"^guesses: no answer within 0\.05 s$"):
            one.ask("guesses", 20.0, None, [], within_s=0.05)
    finally:
        one.close()


def test_a_process_that_ends_by_itself_is_not_told_as_late() -> None:
    one = Process("tareline.no_such_module")
    try:
        with pytest.raises(ProcessError, match=r"^guesses: the process ended$"):
            one.ask("guesses", 20.0, None, [], within_s=60)
    finally:
        one.close()
