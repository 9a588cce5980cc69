"""The command line: `sandtrack …`. Exit codes: 0 answered, 1 answered "no", 2 bad input, 3 shop file, 4 verify."""

from __future__ import annotations

import click

from sandtrack import __version__
from sandtrack.cli import asking, keeping, mixers, recording, serving, strip, table


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="sandtrack")
def main() -> None:
    """The sand side of a foundry: stock, dosing by temperature, strip times, reclaim.

    \b
    To begin:
      sandtrack brief demo_data                             the whole circuit on one screen
      sandtrack init --shop foundry.sandtrack plant.toml    make a shop of your own
      sandtrack load --shop foundry.sandtrack records/      load its records
    """


for _command in (
    asking.brief,
    asking.stock,
    asking.cover,
    asking.moulds,
    asking.dose,
    table.table,
    table.given_out,
    strip.stopped,
    strip.learned,
    asking.reclaim,
    asking.balance,
    mixers.audit,
    mixers.calibration,
    asking.attention,
    asking.records,
    asking.verify,
    recording.init,
    recording.load,
    recording.log,
    recording.undo,
    recording.plant,
    recording.template,
    keeping.backup,
    keeping.restore,
    serving.serve,
    serving.token,
):
    main.add_command(_command)
