"""Loading files into the ledger: everything is checked first, then written; loading again adds nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from contextlib import closing
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

from sandtrack.errors import FieldError, InputErrors, LoadRefused, SandtrackError
from sandtrack.ledger import Entry, Ledger, system_clock
from sandtrack.plant import read_toml
from sandtrack.records import canonical, fields, flat, times
from sandtrack.records.notation import Columns
from sandtrack.shop import notation
from sandtrack.shop.loading.finding import Files, find
from sandtrack.shop.loading.moved import moved
from sandtrack.shop.loading.rejects import Rejects
from sandtrack.shop.loading.result import FileResult, LoadResult
from sandtrack.shop.loading.sources import FileFault, Problem, Row, Source, Wrong
from sandtrack.shop.loading.vetting import Place, Spool, Vetting, Waiting, made_id
from sandtrack.shop.picture import picture
from sandtrack.shop.watch.dangerous.judging import arrived_since

__all__ = ["FileResult", "LoadResult", "Problem", "load", "open_folder"]

PROBLEMS_SHOWN = 20
SET_UP_SENDER = "set-up"

Progress = Callable[[int, int], object]


def load(
    ledger: Ledger,
    paths: Iterable[str | Path],
    *,
    sender: str | None = None,
    decimal: str | None = None,
    line_breaks: bool = False,
    keep_good: bool = False,
    rejects: str | Path | None = None,
    progress: Progress | None = None,
) -> LoadResult:
    """Load files and folders; raise LoadRefused, with nothing loaded, if any line is bad.

    `decimal` is the decimal mark of the files, "." or ","; unless it is stated, a number that could be read with
    either is refused (`sources.Marks`). A text of a CSV file goes over several lines only with `line_breaks`.
    `sender` stands where a line names none; failing that, `by` does. With `keep_good` the good lines are loaded and
    the bad ones told. Bad lines are written, with reasons, to files of the same columns in the folder `rejects`, which
    can be loaded once they are corrected. `progress` is called with how much is done and how much there is to do.
    """
    bad = Rejects(rejects) if rejects is not None else None
    with closing(Spool(ledger.store.path.parent)) as spool:
        loading = _Loading(ledger, find(paths, line_breaks=line_breaks), spool, sender, decimal, bad, progress)
        try:
            loading.check()
            result = loading.result
            if result.problem_count and not keep_good:
                result.rejects = bad.close() if bad else []
                raise _refusal(result)
            loading.write()
            loading.look_for_dangers()
            result.moved = moved(ledger, loading.written)
            result.rejects = bad.close() if bad else []
        finally:
            if bad:
                bad.close(keep=False)
    result.head = ledger.head()
    return result


def open_folder(
    folder: str | Path,
    path: str | Path,
    *,
    sender: str | None = None,
    decimal: str | None = None,
    progress: Progress | None = None,
    clock: Callable[[], int] = system_clock,
) -> tuple[Ledger, LoadResult]:
    """Make a shop file out of a folder with plant.toml and tables; raises as `load`, and then leaves no file."""
    plants = find([folder]).plants
    if not plants:
        raise InputErrors(
            [FieldError(field="plant.toml", reason=f"is not in {folder}", accepted="a set-up in that folder")],
            what="the folder",
        )
    first = next((plant for plant in plants if plant.name.lower() == "plant.toml"), plants[0])
    ledger = Ledger.create(path, read_toml(first), sender=sender or SET_UP_SENDER, clock=clock)
    try:
        return ledger, load(ledger, [folder], sender=sender, decimal=decimal, progress=progress)
    except BaseException:
        ledger.close()
        for suffix in ("", "-wal", "-shm", ".head", ".verified"):
            Path(f"{path}{suffix}").unlink(missing_ok=True)
        raise


def _refusal(result: LoadResult) -> LoadRefused:
    count = result.problem_count
    shown = [f"  {problem}" for problem in result.problems[:PROBLEMS_SHOWN]]
    if count > len(shown):
        shown.append(f"  … and {count - len(shown)} more")
    problems = "1 problem" if count == 1 else f"{count} problems"
    text = "\n".join([f"nothing was loaded: {problems}", *shown])
    return LoadRefused(text, problems=result.problems, result=result)


@lru_cache(maxsize=1024)
def _name(label: str, text: str) -> str | FieldError:
    """A sender as it will be kept, or what is wrong with it."""
    name = fields.Name()
    name.name = label
    try:
        return name.parse(text)
    except FieldError as problem:
        return problem


class _Loading:
    """One load: its two passes, and what they share."""

    def __init__(
        self,
        ledger: Ledger,
        files: Files,
        spool: Spool,
        sender: str | None,
        decimal: str | None,
        rejects: Rejects | None,
        progress: Progress | None,
    ) -> None:
        self.ledger = ledger
        self.files = files
        self.spool = spool
        self.sender = sender
        self.decimal = decimal
        self.rejects = rejects
        self.progress = progress
        self.size = sum(source.size for source in files.sources)
        self.done = 0
        self.before = ledger.head().records
        self.now = ledger.clock()
        self.today_ends = times.day_end(times.day(times.day_of(self.now, ledger.zone)), ledger.zone)
        self.written: list[tuple[int, int]] = []
        """First and last place in the chain of each portion that was written."""
        self.result = LoadResult(skipped=files.skipped)
        self.id = fields.Name()
        self.id.name = "id"

    # -- first pass ---------------------------------------------------------------------------------------------

    def check(self) -> None:
        """Judge every line of every file; the good ones wait in the spool."""
        for problem in self.files.problems:
            self.result.complain(problem)
        with self.ledger.store.reading() as book, closing(Vetting(self.ledger, book)) as vetting:
            for path in self.files.plants:
                self._plant(path, vetting)
            for source in self.files.sources:
                number = vetting.begin(source.name)
                self.result.files.append(FileResult(source.name, source.kind))
                try:
                    self._source(source, number, vetting)
                except FileFault as fault:
                    self.result.complain(fault.problem(source.name))
                self.done += source.size
                self._tell(self.done)

    def _plant(self, path: Path, vetting: Vetting) -> None:
        """A set-up: known if the shop has one of the same content, else a further revision."""
        file = FileResult(str(path), "plant", lines=1)
        self.result.files.append(file)
        number = vetting.begin(str(path))
        try:
            content = read_toml(path)
            text = canonical(content)
            if vetting.book.execute("SELECT 1 FROM record WHERE kind = 'plant' AND content = ?", (text,)).fetchone():
                file.known = 1
                return
            # Without a sender a revision comes from whoever made the shop.
            sender = self.sender or vetting.book.execute("SELECT sender FROM record WHERE seq = 1").fetchone()[0]
            entry = self.ledger.entry("plant", content, sender=sender, record_id=made_id("plant", text, 1))
            verdict = vetting.judge(entry, Place(number, 1))
            if not verdict.problems and not verdict.known:
                vetting.revise(entry, content)
        except FieldError as wrong_one:
            problems = [wrong_one]
        except InputErrors as wrong:
            problems = wrong.problems
        else:
            problems = verdict.problems
            if not problems:
                self._good(file, Waiting(Place(number, 1), entry, None), known=verdict.known, movements=1)
        for problem in problems:
            self.result.complain(_problem(file.file, None, problem))
        file.refused = int(bool(problems))

    def _source(self, source: Source, number: int, vetting: Vetting) -> None:
        file = self.result.files[number]
        source.shop_mark = vetting.setups.on(self.now).plant.shop.decimal
        rows = source.rows(self.decimal)
        header = next(rows, None)
        if header is None or not any(header.cells):
            for wrong in (header.wrong if header else ()) or (Wrong("empty", "is empty", "a header"),):
                self.result.complain(_problem(source.name, None, wrong.under(())))
            return
        if self.rejects:
            self.rejects.header(number, source, header.cells)
        spoilt: list[FieldError] = []
        reader = columns = None
        try:
            mark, sure = source.marks(self.decimal)
            spoilt = [wrong.under(header.cells) for wrong in header.wrong]
            reader = None if spoilt else flat.reader(source.kind, header.cells, decimal=mark, sure=sure)
            written = replace(notation.of(vetting.setups, self.now), decimal=mark)
            columns = Columns(source.kind, reader.header if reader else (), written)
        except InputErrors as wrong:
            spoilt = wrong.problems
        for problem in spoilt:
            self.result.complain(_problem(source.name, header.line, problem))
        for row in rows:
            if not row.wrong and not any(row.cells):
                continue
            file.lines += 1
            if file.lines % 500 == 0:
                self._tell(self.done + source.done)
            problems = spoilt
            if reader is not None and columns is not None and not spoilt:
                problems = self._line(Place(number, row.line), row, (columns, reader), vetting)
                for problem in problems:
                    self.result.complain(_problem(source.name, row.line, problem))
            if problems:
                file.refused += 1
                if self.rejects:
                    reasons = [_problem("", None, problem).complaint for problem in problems]
                    self.rejects.add(number, row.line, row.cells, reasons)

    def _line(self, place: Place, row: Row, readers: tuple[Columns, flat.Reader], vetting: Vetting) -> list[FieldError]:
        """Judge one line; return what is wrong with it, by its columns."""
        columns, reader = readers
        if row.wrong:
            return [wrong.under(reader.header) for wrong in row.wrong]
        cells = row.cells
        _, read, misnamed = columns.read(cells)
        content, record_id, sender, problems = reader.parse(read)
        if len(cells) != reader.width:
            return problems
        told = {one.field for one in misnamed}
        problems = misnamed + [one for one in problems if one.field not in told]
        values, found = self.ledger.forms.check(reader.kind, content)
        if found:
            told = {one.field for one in problems}
            located = (reader.located(one, cells) for one in found)
            problems += [one for one in located if one.field not in told]
        sender = sender or self.sender or content.get("by") or ""
        name = _name("sender", sender) if sender else _NO_SENDER
        try:
            record_id = record_id and self.id.parse(record_id)
        except FieldError as wrong:
            problems.append(wrong)
        if isinstance(name, FieldError):
            return [*problems, name]
        if problems:
            return problems
        try:
            text = canonical(content)
        except FieldError as wrong:
            return [reader.located(wrong, cells)]
        entry = Entry(reader.kind, name, record_id or vetting.made_id(reader.kind, text), text, values)
        verdict = vetting.judge(entry, place)
        if verdict.problems:
            return [reader.located(problem, cells) for problem in verdict.problems]
        waiting = Waiting(place, entry, cells if self.rejects else None)
        self._good(self.result.files[place.source], waiting, known=verdict.known, movements=verdict.movements)
        return []

    def _good(self, file: FileResult, waiting: Waiting, *, known: bool, movements: int) -> None:
        at = waiting.entry.values.get("at")
        if waiting.entry.kind not in ("count", "plant"):
            self.result.span(at)
            if at is not None and at > self.now + _A_MINUTE_US:
                self.result.future(at)
        elif waiting.entry.kind == "count" and at is not None and at > self.today_ends:
            self.result.future(at)
        if known:
            file.known += 1
        else:
            self.spool.add(waiting, movements)

    # -- second pass --------------------------------------------------------------------------------------------

    def write(self) -> None:
        """Write what waits; what meanwhile came to stand against it is told, and the rest kept."""
        portions = self.spool.finish()
        for number, portion in enumerate(self.spool.drain(), 1):
            accepted, refused = self.ledger.append_all(waiting.entry for waiting in portion)
            for waiting, outcome in zip(portion, accepted, strict=True):
                file = self.result.files[waiting.place.source]
                if outcome is None:
                    file.refused += 1
                elif outcome.new:
                    file.new += 1
                else:
                    file.known += 1
            seqs = [one.seq for one in accepted if one is not None and one.new]
            if seqs:
                self.written.append((min(seqs), max(seqs)))
            for position, error in refused:
                self._late(portion[position], error)
            self._tell(self.size + self.size * number // portions)

    def look_for_dangers(self) -> None:
        """What the new records make or complete, in the whole book: their order in the files is of no account."""
        if not self.result.new:
            return
        with picture(self.ledger) as seen:
            for danger in arrived_since(seen, self.before):
                self.result.warn(danger.flag)

    def _late(self, waiting: Waiting, error: SandtrackError) -> None:
        """A line that was good when it was checked and is refused now."""
        number, line = waiting.place
        problem = Problem(self.result.files[number].file, line, "", None, f"meanwhile: {error.message}")
        self.result.complain(problem)
        if self.rejects and waiting.cells is not None:
            self.rejects.add(number, line, waiting.cells, [problem.complaint])

    def _tell(self, done: int) -> None:
        if self.progress is not None:
            self.progress(done, max(2 * self.size, 1))


_A_MINUTE_US = 60_000_000
_NO_SENDER = FieldError(
    field="sender", reason="is missing", accepted="a column sender or by, or one sender for the whole load"
)


def _problem(file: str, line: int | None, problem: FieldError) -> Problem:
    column = "" if problem.field == "line" else problem.field
    value = None if problem.value is None else str(problem.value)
    return Problem(file, line, column, value, problem.reason, problem.accepted, problem.code)
