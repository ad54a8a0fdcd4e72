"""The one reader of what is typed."""

import os
import pty
import queue
import subprocess
import sys
import threading
from contextlib import contextmanager

from bench.terminal import TerminalPrompt


def lines_of(typed, taken):
    while True:
        taken.release()
        line = typed.get()
        if line is None:
            return
        yield line


def test_what_was_typed_before_the_question_is_no_answer():
    typed, taken, shown = queue.SimpleQueue(), threading.Semaphore(0), []
    prompt = TerminalPrompt(lines_of(typed, taken), lambda text: (shown.append(text), typed.put("now")))
    typed.put("old")
    for _ in range(2):  # the second time it is asked for a line, the first is in the queue
        assert taken.acquire(timeout=5)
    assert prompt("Well?", 5.0) == "now"
    assert shown == ["Well?"]


def test_the_end_of_what_can_be_typed_answers_nothing_ever_again():
    prompt = TerminalPrompt(iter(()), lambda text: None)
    assert prompt("Well?", None) is None
    assert prompt("Well?", None) is None


def test_nobody_answers_in_time():
    typed, taken = queue.SimpleQueue(), threading.Semaphore(0)
    assert TerminalPrompt(lines_of(typed, taken), lambda text: None)("Well?", 0.0) is None


def test_an_empty_line_is_an_answer_and_what_is_around_is_left_again():
    typed, taken, around = queue.SimpleQueue(), threading.Semaphore(0), []

    @contextmanager
    def paused():
        around.append("paused")
        yield
        around.append("on")

    prompt = TerminalPrompt(lines_of(typed, taken), lambda text: typed.put(""))
    prompt.around = paused
    assert prompt("Well?", 5.0) == ""
    assert around == ["paused", "on"]


def test_a_process_that_waits_for_a_line_ends_cleanly():
    """A thread that hangs in the buffered standard input would abort the interpreter at its end."""
    master, slave = pty.openpty()
    code = (
        "from bench.terminal import is_there, terminal_prompt\n"
        "assert is_there()\n"
        "print(repr(terminal_prompt()('Well?', 5.0)), flush=True)\n"
        "terminal_prompt()('Nobody?', 0.01)"
    )
    command = [sys.executable, "-c", code]
    with subprocess.Popen(command, stdin=slave, stdout=slave, stderr=subprocess.PIPE) as process:
        os.close(slave)
        assert process.stderr.read(6) == b"Well? "
        os.write(master, b"a line\n")
        said = process.stderr.read()
    assert (process.returncode, said) == (0, b"Nobody? ")
    os.close(master)
