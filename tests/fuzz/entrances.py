"""Everything through which a file or a word gets into the package, and how many of 1,000 inputs go there.

The valid cases come from demo_data and studies and are cut short, so that an input is small and quick.
"""

from __future__ import annotations

import command_inputs
import ledger_inputs
import result_inputs
import written_inputs
from cases import Entrance

ENTRANCES = (
    Entrance(
        name="text tables",
        share=80,
        seeds=result_inputs.tables,
        bent=result_inputs.bent_table,
        take=result_inputs.read,
    ),
    Entrance(
        name="workbooks",
        share=35,
        seeds=result_inputs.workbooks,
        bent=result_inputs.bent_workbook,
        take=result_inputs.read,
    ),
    Entrance(
        name="Parquet files",
        share=50,
        seeds=result_inputs.parquets,
        bent=result_inputs.bent_parquet,
        take=result_inputs.read,
    ),
    Entrance(
        name="one file per run",
        share=30,
        seeds=result_inputs.runs,
        bent=result_inputs.bent_runs,
        take=result_inputs.read,
    ),
    Entrance(
        name="study files",
        share=230,
        seeds=written_inputs.studies,
        bent=written_inputs.bent_study,
        take=written_inputs.load,
    ),
    Entrance(
        name="cell files",
        share=490,
        seeds=written_inputs.cell_files,
        bent=written_inputs.bent_cells,
        take=written_inputs.read_cells,
    ),
    Entrance(
        name="ledger import, results",
        share=20,
        seeds=ledger_inputs.references,
        bent=ledger_inputs.bent_reference,
        take=ledger_inputs.take_in,
    ),
    Entrance(
        name="ledger import, events",
        share=45,
        seeds=ledger_inputs.event_files,
        bent=ledger_inputs.bent_reference,
        take=ledger_inputs.take_in,
    ),
    Entrance(
        name="ledger files",
        share=10,
        seeds=ledger_inputs.ledgers,
        bent=ledger_inputs.bent_ledger,
        take=ledger_inputs.look_into,
    ),
    Entrance(
        name="command line",
        share=10,
        seeds=command_inputs.commands,
        bent=command_inputs.bent_command,
        take=command_inputs.run_command,
        timed=False,
    ),
)
assert sum(entrance.share for entrance in ENTRANCES) == 1000
