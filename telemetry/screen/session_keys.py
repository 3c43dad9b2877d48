"""What the keys do to recorded sessions: find, review, report, compare, write to a file, name, delete.

What takes long runs as a command of its own beside the screen, so that neither a picture nor a recording waits.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial

from telemetry.model.clock import Clock
from telemetry.model.errors import ShakedownError, printable
from telemetry.screen.canvas import Canvas
from telemetry.screen.command_page import CommandPage, RunningCommand
from telemetry.screen.commands_box import Command
from telemetry.screen.line_entry import LineEntry
from telemetry.screen.page import Drawn
from telemetry.screen.prompt import ASK_US, Prompt, Question
from telemetry.screen.session_list import Entry, SessionList

NAME_LETTERS, NOTE_LETTERS = 40, 300
NO_SESSION = "no session to do that with"


class SessionKeys:
    """Acts on the chosen session.

    Args:
        sessions: the list.
        clock: real time.
        say: shows one sentence.
        show: opens a prompt.
        program: words that run this program as a command.
        review: opens a session, by its number and whether it is being recorded; returns what to say, if anything.

    """

    def __init__(
        self,
        sessions: SessionList,
        clock: Clock,
        say: Callable[[str], None],
        show: Callable[[Prompt], None],
        program: Sequence[str],
        review: Callable[[int, bool], str],
    ) -> None:
        self.sessions = sessions
        self._clock, self._say, self._show = clock, say, show
        self._program, self._review = tuple(program), review
        self._exporting: RunningCommand | None = None

    def draw(self, canvas: Canvas, run: str = "") -> Drawn:
        """Draw the view as it is now."""
        from telemetry.screen.sessions_view import draw_sessions

        now = self._clock.now()
        self.sessions.look(now)
        return draw_sessions(canvas, self.sessions, now, run)

    def tick(self) -> None:
        """Say what a file that was being written came to."""
        command = self._exporting
        if command is not None and command.status is not None:
            self._exporting = None
            self._say(command.said)

    @property
    def _chosen(self) -> Entry | None:
        return self.sessions.chosen_entry(self._clock.now())

    def _with_chosen(self, act: Callable[[Entry], None]) -> None:
        entry = self._chosen
        if entry is None:
            self._say(NO_SESSION)
        else:
            self.sessions.chosen = entry.record.id
            act(entry)

    def choose(self, session: int) -> None:
        """Choose the session of that number."""
        self.sessions.chosen = session

    def session_above(self) -> None:
        """Choose the session above."""
        self.sessions.move(-1, self._clock.now())

    def session_below(self) -> None:
        """Choose the session below."""
        self.sessions.move(1, self._clock.now())

    def find_sessions(self) -> None:
        """Show only the sessions that have the typed words."""

        def typed(text: str) -> None:
            self.sessions.text = text

        asks = "find by machine, name, date, verdict, mark"
        now = self._clock.now
        self._show(
            LineEntry(
                asks,
                self.sessions.text,
                done=typed,
                changed=typed,
                given_up=partial(typed, ""),
                moved=lambda step: self.sessions.move(step, now()),
            )
        )

    def show_all(self) -> None:
        """Show all sessions again, and compare none."""
        self.sessions.text, self.sessions.comparing = "", None

    def review_session(self) -> None:
        """Open the chosen session."""
        self._with_chosen(lambda entry: self._say_if(self._review(entry.record.id, entry.record.ended is None)))

    def _say_if(self, sentence: str) -> None:
        if sentence:
            self._say(sentence)

    def report_session(self) -> None:
        """Show the report of the chosen session."""

        def read(entry: Entry) -> None:
            number = entry.record.id
            if entry.record.ended is None:
                self._say(f"session {number} is being recorded; its report comes after it")
                return
            after = f"As a page to hand over: shakedown report {number} --html session-{number}.html"
            title, waiting = f"report of session {number}", f"making the report of session {number} ..."
            self._show(CommandPage(title, waiting, self._run("report", str(number)), after))

        self._with_chosen(read)

    def compare_session(self) -> None:
        """Take the chosen session for a comparison; the second time, compare the two."""

        def compare(entry: Entry) -> None:
            first, second = self.sessions.comparing, entry.record.id
            if first is None or first == second:
                self.sessions.comparing = None if first == second else second
                self._say("none is compared" if first else f"choose the session to compare {second} with, then x")
                return
            self.sessions.comparing = None
            older, newer = sorted((first, second))
            command = self._run("compare", str(older), str(newer))
            waiting = f"comparing sessions {older} and {newer} ..."
            self._show(CommandPage(f"sessions {older} and {newer}", waiting, command))

        self._with_chosen(compare)

    def export_session(self) -> None:
        """Ask for a file, then write the chosen session to it."""

        def write(session: int, file: str) -> None:
            if not file:
                self._say("nothing was written: no file was named")
                return
            self._exporting = self._run("export", str(session), file)
            self._say(f"writing session {session} to {printable(file, 60)} ...")

        def ask(entry: Entry) -> None:
            number = entry.record.id
            asks = f"write session {number} to"
            self._show(LineEntry(asks, f"session-{number}.csv", done=partial(write, number), longest=200))

        self._with_chosen(ask)

    def name_session(self) -> None:
        """Ask for a name of the chosen session."""

        def ask(entry: Entry) -> None:
            asks, keep = f"name of session {entry.record.id}", partial(self._label, entry)
            self._show(LineEntry(asks, entry.record.name, lambda text: keep(name=text), longest=NAME_LETTERS))

        self._with_chosen(ask)

    def note_session(self) -> None:
        """Ask for a note on the chosen session."""

        def ask(entry: Entry) -> None:
            asks, keep = f"note on session {entry.record.id}", partial(self._label, entry)
            self._show(LineEntry(asks, entry.record.note, lambda text: keep(note=text), longest=NOTE_LETTERS))

        self._with_chosen(ask)

    def _label(self, entry: Entry, name: str | None = None, note: str | None = None) -> None:
        from telemetry.store.later_marks import keep_label

        record = entry.record
        kept = replace(record, name=record.name if name is None else name, note=record.note if note is None else note)
        assert self.sessions.path is not None
        try:
            keep_label(self.sessions.path, record.id, kept.name, kept.note)
        except ShakedownError as error:
            self._say(f"not kept: {error}")
            return
        self.sessions.look_again()
        self._say(f"kept with session {record.id}")

    def commands(self) -> list[Command]:
        """Return what is done to the chosen session without a key of its own: delete it."""
        entry = self._chosen
        if entry is None or entry.record.ended is None:
            return []
        return [Command(f"delete session {entry.record.id}", "", partial(self._ask_delete, entry))]

    def _ask_delete(self, entry: Entry) -> None:
        number = entry.record.id
        text = f"DELETE session {number}, {entry.title}, for good?  y deletes it. Any other key keeps it."
        answers = {"y": partial(self._delete, number)}
        kept = partial(self._say, f"session {number} is kept")
        self._show(Question(text, answers, self._clock.now() + 2 * ASK_US, kept))

    def _delete(self, session: int) -> None:
        from telemetry.store.writer import StoreWriter

        assert self.sessions.path is not None
        try:
            with StoreWriter.open(self.sessions.path) as writer:
                writer.delete_session(session)
        except ShakedownError as error:
            self._say(f"not deleted: {error}")
            return
        self.sessions.look_again()
        self._say(f"session {session} is deleted")

    def _run(self, *words: str) -> RunningCommand:
        return RunningCommand([*self._program, *words, "--store", str(self.sessions.path)])

    def close(self) -> None:
        """End what runs beside the screen for this list; a file that is being written is finished."""
        self.sessions.close()
