"""What the keys do in the links view: choose a link, try it again now, show its raw lines and names."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial

from telemetry.model.errors import printable
from telemetry.pipeline.control import RunControl
from telemetry.pipeline.raw_ring import RawTail
from telemetry.pipeline.snapshot import Snapshot
from telemetry.screen.commands_box import Command
from telemetry.screen.links_view import LinkFacts, LinksShown
from telemetry.screen.scene import Shown


class LinkKeys:
    """Acts on the link that is chosen, else on the first one that failed, else on the first.

    Args:
        snapshot: the links.
        control: what is done to the run.
        shown: what the keys have chosen to see.
        say: shows one sentence.
        facts: of each source.
        raw: the last raw pieces of the links; None where there are none.

    """

    def __init__(
        self,
        snapshot: Snapshot,
        control: RunControl,
        shown: Shown,
        say: Callable[[str], None],
        facts: Mapping[str, LinkFacts],
        raw: RawTail | None,
    ) -> None:
        self._snapshot, self._control, self._shown, self._say = snapshot, control, shown, say
        self._facts, self._raw = dict(facts), raw

    @property
    def link(self) -> str | None:
        """The link that is acted on; None where there is none."""
        chosen = self._shown.chosen.get("5")
        if isinstance(chosen, str):
            return chosen
        failed = [change.source for change in self._snapshot.failed_links()]
        return next(iter([*failed, *self._facts, *self._snapshot.links]), None)

    def try_now(self) -> None:
        """Try the chosen link again now."""
        if self.link is not None:
            self._try(self.link)

    def _try(self, source: str) -> None:
        name = printable(source, 20)
        tried = self._control.try_now(source)
        self._say(f"{name}: trying now" if tried else f"{name} does not wait for a try")

    def raw_lines(self) -> None:
        """Show raw lines in place of the signals, or the signals again."""
        self._shown.raw = not self._shown.raw
        self._shown.scrolled["5"] = 0

    def raw_names(self) -> None:
        """Show signals by their names in files, or in words again."""
        self._shown.raw_names = not self._shown.raw_names

    def links_shown(self) -> LinksShown:
        """Return what of the links is on view."""
        raw = None
        if self._shown.raw:
            raw = self._raw.last(self.link or "") if self._raw is not None else []
        return LinksShown(self.link, self._shown.scrolled.get("5", 0), raw, self._shown.raw_names, self._facts)

    def commands(self) -> list[Command]:
        """Return a command for each link: try it now."""
        sources = dict.fromkeys([*self._facts, *self._snapshot.links])
        return [
            Command(f"try the link of {printable(each, 20)} now", "", partial(self._try, each)) for each in sources
        ]
