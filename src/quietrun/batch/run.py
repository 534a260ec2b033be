"""Judge a plan: what has a row already is kept, the rest is judged, a row written for each."""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import importlib
import json
import os
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from quietrun import __version__
from quietrun.batch.known import Known, dated, sentences
from quietrun.batch.lock import locked
from quietrun.batch.pool import pool_for
from quietrun.batch.rows import Key, Place, RowFile
from quietrun.batch.table import TableFile
from quietrun.batch.types import Item, Listener, Outcome, Outputs, Plan, Row, Settings, Silent
from quietrun.batch.work import Judged, Task
from quietrun.errors import UsageError
from quietrun.report.contract import text


def run_batch(
    plan: Plan, outputs: Outputs, settings: Settings, listener: Listener | None = None
) -> Outcome:
    """Judge all clips of a plan.

    Parameters
    ----------
    plan : Plan
    outputs : Outputs
        Rows that are there already and still hold are kept.
    settings : Settings
    listener : Listener or None

    Returns
    -------
    Outcome

    Raises
    ------
    UsageError
        An output cannot be written or belongs to something else, another
        batch is at work on it, no logbook, no cluster.
    ModelError
        The model cannot be used.
    """
    with Batch(outputs, settings, listener or Silent()) as batch:
        batch.judge(plan.items)
        batch.finish()
        return batch.outcome()


@dataclass(slots=True)
class _Sorted:
    """Items against the rows there are."""

    todo: list[Item] = field(default_factory=list)
    renewed: list[Row] = field(default_factory=list)
    gone: list[Place] = field(default_factory=list)


class Batch:
    """A batch at work on its outputs, between ``with`` and its end."""

    def __init__(self, outputs: Outputs, settings: Settings, listener: Listener) -> None:
        self.outputs, self.settings, self.listener = outputs, settings, listener
        self.judged = self.kept = 0
        self._paths: set[str] = set()
        self._new_table = True
        self._stack = contextlib.ExitStack()

    def __enter__(self) -> Batch:
        _check_names(self.outputs)
        with contextlib.ExitStack() as stack:
            self._stale = stack.enter_context(locked(self.outputs.rows))
            self._rows = stack.enter_context(RowFile(self.outputs.rows))
            known = Known(self.settings.home, log=self.settings.log)
            self._known = stack.enter_context(known)
            self._table = self._open_table(stack)
            self._stack = stack.pop_all()
        if self._rows.torn:
            self.listener.note("The last row was cut off when a batch was stopped: done again.")
        return self

    def __exit__(self, *error: Any) -> None:
        self._stack.__exit__(*error)

    def _open_table(self, stack: contextlib.ExitStack) -> TableFile | None:
        if self.outputs.table is None:
            return None
        return stack.enter_context(
            TableFile(
                self.outputs.table,
                decimal_comma=self.outputs.decimal_comma,
                bom=self.outputs.bom,
            )
        )

    def judge(self, items: Sequence[Item], *, careful: bool = False) -> None:
        """Judge items, keeping the rows that hold; may be called again and again.

        Parameters
        ----------
        items : sequence of Item
        careful : judge in worker processes even if they are few
        """
        items = [self._known.completed(item) for item in items]
        for sentence in sentences(self._known.unknown) if self.settings.log else ():
            self.listener.note(sentence)
        self._paths.update(str(text(item.path)) for item in items)
        found = self._sort(items)
        self.listener.begin(len(items), len(items) - len(found.todo))
        self._make_room(found)
        self._judge(found.todo, careful=careful or self._stale)

    def _judge(self, items: Sequence[Item], *, careful: bool) -> None:
        if not items:
            return
        pool = pool_for(self.settings, len(items), self.listener.note, careful=careful)
        tasks = [self._task(number, item) for number, item in enumerate(items)]
        with contextlib.closing(pool.run(tasks)) as results:
            for judged in results:
                self._take(items[judged.number], judged)

    def _task(self, number: int, item: Item) -> Task:
        return Task(
            number,
            item,
            self.settings.time_limit_s,
            self.settings.analyse,
            want_record=self._known.takes(item),
        )

    def _take(self, item: Item, judged: Judged) -> None:
        """Logbook first, then the row: a row says that both are done."""
        logged = self._enter(item, judged)
        row = with_batch(judged.row, item, logged=logged)
        self.judged += 1
        self._rows.append(row)
        if self._table is not None:
            self._table.append(row)
        self.listener.row(row)

    def _enter(self, item: Item, judged: Judged) -> bool:
        try:
            return self._known.enter(item, judged.row, judged.record)
        except UsageError as error:
            self.listener.note(f"{text(item.path)} is not logged: {error.what}")
            return False

    def outcome(self) -> Outcome:
        """Say what came of all items so far, by the rows that were written."""
        ours = [place for place in self._rows.places if place.path in self._paths]
        failed = [self._rows.row(place) for place in ours if place.word == "unusable"]
        return Outcome(
            counts=Counter(place.word for place in ours),
            failed=tuple(sorted((row["clip"]["path"], " ".join(row["because"])) for row in failed)),
            judged=self.judged,
            kept=self.kept,
        )

    def rows(self) -> Iterator[Row]:
        """All rows of the file."""
        return iter(self._rows)

    def _sort(self, items: Sequence[Item]) -> _Sorted:
        """Find the rows that hold, by path and by content."""
        result = _Sorted()
        if not self._rows.places:
            result.todo = list(items)
            return result
        by_path: dict[str, list[Place]] = {}
        by_key: dict[Key, Place] = {}
        for place in self._rows.places:
            by_path.setdefault(place.path, []).append(place)
            if place.key is not None:
                by_key[place.key] = place
        model = self._model()
        for item in items:
            self._sort_one(item, model, by_path, by_key, result)
        self._sort_rest(items, by_path, result)
        return result

    def _sort_one(
        self,
        item: Item,
        model: str,
        by_path: dict[str, list[Place]],
        by_key: dict[Key, Place],
        result: _Sorted,
    ) -> None:
        clip = file_sha256(item.path)
        key = Key(clip, model, settings_hash(item)) if clip else None
        here = by_path.get(str(text(item.path)), [])
        same = next((place for place in here if key is not None and place.key == key), None)
        found = same or (by_key.get(key) if key else None)
        if found is None or (self._known.takes(item) and not found.logged):
            result.todo.append(item)
            result.gone += here
            return
        old = self._rows.row(found)
        moved = {**old, "clip": {**old["clip"], "path": text(item.path)}}
        new = with_batch(moved, item, logged=found.logged)
        self.kept += 1
        if same is not None and new == old:
            result.gone += [place for place in here if place is not same]
            return
        result.renewed.append(new)
        result.gone += here
        if same is None and not _exists(found.path):
            result.gone.append(found)  # the file was moved, and its row goes with it

    @staticmethod
    def _sort_rest(items: Sequence[Item], by_path: dict[str, list[Place]], result: _Sorted) -> None:
        """Rows of other clips stay, unless they say no more than that a file is not there."""
        ours = {text(item.path) for item in items}
        for path, places in by_path.items():
            if path not in ours and not _exists(path):
                result.gone += [place for place in places if place.key is None]

    def _make_room(self, found: _Sorted) -> None:
        if found.gone or found.renewed:
            self._rows.renew(found.gone, found.renewed)
        elif not self._new_table:
            return
        if self._table is not None:
            self._table.renew(self._rows)
        self._new_table = False

    def _model(self) -> str:
        """Hash of the model that would judge now."""
        module = importlib.import_module(self.settings.analyse.partition(":")[0])
        return str(module.general_model().sha256)

    def settle(self) -> None:
        """Put index and table in order after an interrupt, which may come between two steps."""
        self._rows.reload()
        if self._table is not None:
            self._table.renew(self._rows)

    def finish(self) -> None:
        """Write the page."""
        if self.outputs.page is not None:
            from quietrun.batch.page import write_page
            from quietrun.batch.summary import summarise

            write_page(self.outputs.page, summarise(self._rows))


def _check_names(outputs: Outputs) -> None:
    """Refuse outputs that would write over each other or over something else."""
    if len({os.path.realpath(path) for path in outputs.paths}) < len(outputs.paths):
        raise UsageError(
            "Two outputs have the same name.",
            "One would write over the other.",
            "Give -o, --csv and --page a name each.",
        )
    if outputs.page is not None:
        from quietrun.batch.page import check_ours

        check_ours(outputs.page)


def with_batch(row: Row, item: Item, *, logged: bool) -> Row:
    """Add the member ``batch``: what the row was judged with, and what was said of the clip."""
    when = dated(item, row["clip"]["recorded_at"])
    source = "folder" if when.source == "given" and item.date_from == "folder" else when.source
    batch = {
        "settings": settings_hash(item),
        "date": when.at,
        "date_source": source,
        "phone": text(item.machine.phone),
        "note": text(item.note) or None,
        "logged": logged,
    }
    return {**{name: value for name, value in row.items() if name != "batch"}, "batch": batch}


def settings_hash(item: Item) -> str:
    """Hash of all that a judgement depends on beside clip and model."""
    limits = item.limits
    if limits is not None:
        faults = {name: dataclasses.astuple(one) for name, one in limits["faults"].items()}
        limits = {**limits, "faults": faults}
    said = {
        "quietrun": __version__,
        "machine": dataclasses.asdict(item.machine),
        "limits": limits,
    }
    data = json.dumps(said, sort_keys=True, default=str).encode()
    return hashlib.sha256(data).hexdigest()[:16]


def file_sha256(path: str) -> str | None:
    """Hash of a file's content, or None where it cannot be read."""
    try:
        if not os.path.isfile(path):
            return None
        with open(path, "rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except (OSError, ValueError):
        return None


def _exists(path: str) -> bool:
    try:
        return os.path.lexists(path)
    except ValueError:
        return False
