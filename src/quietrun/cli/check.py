"""``quietrun check``: judge clips."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from quietrun.cli.options import existing, json_option, machine_from, machine_options
from quietrun.cli.output import note, page, say

if TYPE_CHECKING:
    from quietrun.machine import Machine
    from quietrun.pipeline import Analysis
    from quietrun.report.exhibit import Exhibit

EXIT_CODES = {"quiet": 0, "inspect": 1, "noisy": 1, "unusable": 3}


@click.command()
@click.argument("clips", nargs=-1, required=True, metavar="CLIP...", type=click.Path())
@machine_options
@json_option
@click.option("--features", is_flag=True, help="List every value that was measured.")
@click.option(
    "--page",
    "page_file",
    type=click.Path(dir_okay=False),
    metavar="PAGE.html",
    help="Also write a page with pictures and sounds.",
)
@click.option(
    "--picture",
    type=click.Path(dir_okay=False),
    metavar="OUT.png",
    help="Also draw the clip into a picture.",
)
@click.option(
    "--hear",
    type=click.Path(),
    metavar="FOLDER",
    help="Also write what each reason sounds like, as wav files in a new folder.",
)
@click.pass_context
def check(
    ctx: click.Context,
    clips: tuple[str, ...],
    machine_file: str | None,
    mains: str | None,
    poles: str | None,
    stage: str | None,
    as_json: bool,
    features: bool,
    page_file: str | None,
    picture: str | None,
    hear: str | None,
) -> None:
    """Judge one or more clips of an empty run.

    Says whether the run is quiet, which fault the sound points to and why,
    what to look at first, and what could not be heard.

    Exits 0 when every clip is quiet, 1 when one is to be inspected or is
    noisy, 2 on a mistake in the call, 3 when one carries no answer.
    """
    clips = existing(clips)
    machine = machine_from(machine_file, mains, poles, stage)
    shown = Shown(page_file, picture, hear)
    shown.check_places(len(clips))

    worst = 0
    for i, clip in enumerate(clips):
        analysis = shown.analysis_of(clip, machine)
        if i and not as_json:
            say("\n" + "=" * 72 + "\n")
        say(_shown(analysis, as_json=as_json, features=features, single=len(clips) == 1))
        worst = max(worst, EXIT_CODES[analysis.verdict.word])
    shown.write()
    ctx.exit(worst)


class Shown:
    """Page, picture and sounds, where they are asked for: only then is anything drawn."""

    def __init__(self, page_file: str | None, picture: str | None, hear: str | None) -> None:
        self.page_file, self.picture, self.hear = page_file, picture, hear
        self._exhibits: list[Exhibit] = []
        self._wanted = any(path is not None for path in (page_file, picture, hear))

    def check_places(self, clips: int) -> None:
        """Refuse a place that cannot be written before a clip is judged."""
        if not self._wanted:
            return
        from quietrun.report import files

        if self.picture is not None and clips > 1:
            raise click.UsageError("--picture draws one clip: name one, or use --page.")
        if self.page_file is not None:
            files.check_page_place(self.page_file)
        if self.picture is not None:
            files.check_picture_place(self.picture)
        if self.hear is not None:
            files.check_sound_folder(self.hear)

    def analysis_of(self, clip: str, machine: Machine) -> Analysis:
        """Judge a clip; its exhibit too where one is wanted."""
        if not self._wanted:
            from quietrun.pipeline import analyse

            return analyse(clip, machine=machine)
        from quietrun.exhibits.pages import exhibit_alone

        made = exhibit_alone(clip, machine)
        self._exhibits.append(made)
        return made.analysis

    def write(self) -> None:
        """Write what was asked for, and say where it is."""
        if self.page_file is not None:
            from quietrun.report.files import write_page
            from quietrun.report.page import render

            write_page(self.page_file, render(self._exhibits))
            note(f"Wrote {self.page_file}")
        if self.picture is not None:
            from quietrun.report.picture import write_picture

            write_picture(self.picture, self._exhibits[0])
            note(f"Wrote {self.picture}")
        if self.hear is not None:
            from quietrun.report.files import write_sounds

            made = write_sounds(self.hear, self._exhibits)
            note(f"Wrote {len(made)} sounds to {self.hear}")
            for one in made:
                note(f"  {one.path.relative_to(self.hear)}: {one.what}")
            told = (one.quiet_from for one in self._exhibits if one.passages and one.quiet_from)
            for source in dict.fromkeys(told):
                note(f"Sounds of a quiet machine are from {source}.")
            if not any(exhibit.passages for exhibit in self._exhibits):
                note("No fault is told, so there are no reasons to hear.")


def _shown(analysis: Analysis, *, as_json: bool, features: bool, single: bool) -> str:
    """One clip: an indented object when it is alone, else one object a line."""
    if as_json:
        from quietrun.report.contract import features_object, to_json, to_object

        if features:
            from quietrun.evidence import BY_NAME

            return to_json(features_object(analysis, BY_NAME), indent=2 if single else None)
        return to_json(to_object(analysis), indent=2 if single else None)
    from quietrun.report.text import render, render_features

    if features:
        from quietrun.evidence import BY_NAME

        return render(analysis, page()) + "\n\n" + render_features(analysis, BY_NAME, page())
    return render(analysis, page())
