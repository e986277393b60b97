"""Every code of what can be wrong with a cell, a row or a file, and its wording, once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class Problem:
    """One kind of fault.

    Attributes
    ----------
    what : may use {raw_text}, {column} and {detail}.
    remedy : says what to do.
    question : what a person is asked, once for a whole column; may use {column} and {detail}. "" asks nothing.
    settled : the cell was understood, and there is nothing to do.
    """

    code: str
    what: str
    remedy: str
    question: str = ""
    settled: bool = False


_CATALOGUE: Final[tuple[Problem, ...]] = (
    # cells set aside
    Problem("number-unreadable", '"{raw_text}" is not a number', "Correct the cell and import the file again."),
    Problem(
        "number-absurd",
        '"{raw_text}" cannot be right: no measurement gives such a number',
        "Correct the cell (of a titration also its volumes and concentrations) and import the file again.",
    ),
    Problem(
        "number-ambiguous",
        '"{raw_text}" can be read with a thousands mark or a decimal mark',
        "Set decimalChar in the layout or write the number without a thousands mark.",
        question='Is the mark in the numbers of "{column}" a thousands mark or a decimal mark?',
    ),
    Problem(
        "range-not-reading",
        '"{raw_text}" is a range, not one reading',
        "Enter the single readings; a range or yearly mean belongs in the comment.",
    ),
    Problem(
        "date-in-number",
        '"{raw_text}" is a date in a number cell; the spreadsheet may have changed it',
        "Format the column as text and type the value again.",
    ),
    Problem(
        "unit-unknown",
        "the unit {detail}",
        "Write a unit of the list in the README or add it to unitAliases in the layout.",
        question='Which unit is meant under "{column}"? The unit {detail}.',
    ),
    Problem(
        "unit-in-cell",
        '"{raw_text}": the unit {detail}',
        "Correct the cell and import the file again; the other cells of its column are read by their own unit.",
    ),
    Problem(
        "unit-missing",
        '"{raw_text}" under "{column}" ({detail}) has no unit',
        'Answer once for the column, by its heading: kettlestone intake FILE --unit "HEADING=UNIT".',
        question='In which unit is {detail} given under "{column}"?',
    ),
    Problem(
        "unit-ambiguous",
        "the unit {detail}",
        "Write the unit out (mg/L as CaCO3, mg/L as Ca, °dH, …).",
        question='Which unit is meant under "{column}"? The unit {detail}.',
    ),
    Problem(
        "not-a-sample",
        "here stands {detail}, not a reading of a sample",
        "Nothing to do; it is kept here so that nothing is lost.",
        settled=True,
    ),
    Problem(
        "not-detected-without-limit",
        '"{raw_text}" means not detected, but no limit is given',
        'Answer once for the quantity, in its unit: kettlestone intake FILE --unit "QUANTITY=<LIMIT UNIT".',
        question='Below which limit is {detail} not detected under "{column}"? '
        'Answer with --unit "{detail}=<LIMIT UNIT".',
    ),
    Problem(
        "row-too-long",
        "the row has {detail}; its cells may stand under the wrong headings",
        "Look for a delimiter inside a text, quote it, and import the file again.",
    ),
    Problem(
        "row-cut-off",
        "the last row ends in the middle; the file looks cut off",
        "Export or copy the file again.",
    ),
    Problem(
        "drops-not-whole",
        'the count "{raw_text}" is not a whole number of drops',
        "Count whole drops; enter a value in the value column.",
    ),
    Problem(
        "kit-undefined",
        "the drops cannot be turned into a value: {detail}",
        "Answer once for the column, by its heading: kettlestone intake FILE --unit "
        '"HEADING=1 °dH per drop at 10 mL", or the name of a kit (kettlestone kit list); correct a volume that cannot '
        "be used.",
        question='What is a drop worth under "{column}" ({detail})?',
    ),
    Problem(
        "titration-undefined",
        "the titrant volume cannot be turned into a value: {detail}",
        "Give titrant concentration and sample volume; correct a figure that cannot be used.",
        question='Which concentration has the titrant, and how much water was taken, under "{column}" ({detail})?',
    ),
    Problem("negative-value", '"{raw_text}" is below zero', "Check the reading; this quantity cannot be negative."),
    Problem(
        "field-unreadable",
        '"{raw_text}" under {column} is not understood ({detail})',
        "Correct the cell; the readings of the row that need it wait.",
    ),
    Problem(
        "analyte-unknown",
        '"{detail}" is not a quantity of the table of spellings; its result is kept here',
        "Add the spelling to a layout if it is one of the quantities in schemas/columns.py.",
        question='Which quantity is "{detail}"?',
    ),
    Problem(
        "described-in-words",
        '"{raw_text}" describes what is seen and counts nothing',
        "Nothing to do; it is kept here so that nothing is lost.",
        settled=True,
    ),
    Problem(
        "no-quantity-of-water",
        '"{detail}" is not used here: it says nothing of the chemistry of the water',
        "Nothing to do; it is kept here so that nothing is lost.",
        settled=True,
    ),
    Problem(
        "column-not-understood",
        'the column "{column}" holds numbers, but its heading is no known quantity{detail}',
        "Add the heading to a layout with the quantity it holds, or as ignored (kettlestone layout propose FILE).",
        question='Which quantity does "{column}" hold{detail}?',
    ),
    # remarks on files and rows
    Problem(
        "file-not-understood",
        "no layout fits this file: {detail}",
        "Run kettlestone layout propose FILE, look at the proposal and save it.",
    ),
    Problem(
        "file-kind",
        "a {detail} file is not read",
        "Nothing to do if it holds no readings; else save it as CSV, as a workbook or as PDF.",
    ),
    Problem("file-empty", "the file holds no rows", "Export it again."),
    Problem("file-unreadable", "the file cannot be read: {detail}", "Open it in its program and save it again."),
    Problem(
        "sheet-unreadable",
        "the sheet cannot be read: {detail}; the other sheets were",
        "Save the sheet in a file of its own and import that.",
    ),
    Problem(
        "not-worked-out",
        "not evaluated: {detail}; all else was",
        "Send the log to whoever looks after the program, and import the files again when it is mended.",
    ),
    Problem(
        "file-is-picture",
        "{detail} without text (a scan or a photograph); nothing was read from it",
        "Ask for the report as a file, or type its numbers into a sheet.",
    ),
    Problem(
        "file-without-results",
        "{detail}",
        "Ask for the results as a table (CSV or workbook), or type them into a sheet.",
    ),
    Problem("file-too-large", "{detail}", "Split the file."),
    Problem(
        "limit-answered",
        "the limit of what was not detected is {detail}",
        "Nothing to do; kettlestone layout remembered lists the answers that are kept.",
    ),
    Problem(
        "unit-stated",
        'the file says above the table: "{raw_text}"; so {detail} without a unit of their own were read in it',
        'Nothing to do if that is right; else answer with --unit "NAME=UNIT".',
    ),
    Problem(
        "unit-answered",
        "the unit is {detail}",
        "Nothing to do; kettlestone layout remembered lists the answers that are kept.",
    ),
    Problem(
        "drop-worth-answered",
        "one drop is worth {detail}",
        "Nothing to do; kettlestone layout remembered lists the answers that are kept.",
    ),
    Problem(
        "unit-proved",
        "the file states no unit here, but its chemistry proves one: {detail}",
        'Nothing to do if that is right; else answer with --unit "NAME=UNIT".',
    ),
    Problem(
        "shape-known",
        "{detail}",
        "Nothing to do; kettlestone layout remembered lists what is kept.",
    ),
    Problem(
        "answer-followed",
        "this file follows the answer to an earlier one with the same headings: {detail}",
        "Nothing to do if it holds here, too; else take it back with kettlestone decide NUMBER reopen.",
    ),
    Problem(
        "shape-changed",
        "the headings are not quite those of the answers {detail}",
        "Nothing was taken from them; give those that still hold again.",
    ),
    Problem(
        "layout-names-absent",
        "{detail}, which the file does not have",
        "Correct the layout, or look with kettlestone layout check FILE what becomes of the file.",
    ),
    Problem(
        "columns-left-out",
        "nothing was read from {detail}",
        "Nothing to do if that does not matter; else say in a layout what they hold (kettlestone layout propose FILE).",
    ),
    Problem(
        "rows-without-readings",
        "{detail}: what else stands in them was not kept",
        "Nothing to do if that is meant; else fill in the readings and import the file again.",
    ),
    Problem(
        "origin-unknown",
        "no column says client, site, sample or date; not understood: {detail}",
        "Write one of these headings in a language that is known, or add yours to a layout "
        "(kettlestone layout propose FILE), so that each sample has a name.",
    ),
    Problem(
        "register-value",
        '"{raw_text}" cannot be: {detail} is expected',
        "Correct it and import the register again; it is kept as written and not reckoned with.",
    ),
    Problem(
        "register-word",
        '"{raw_text}" is not understood; what would be understood is {detail}',
        "Write one of these words and import the register again; it is kept as written and counts as not known.",
    ),
    Problem(
        "register-owner",
        'the row names no client, and {detail} have a site "{raw_text}"',
        "Add a column client and import the register again; until then the row counts for none of them.",
    ),
    Problem(
        "readings-repeated",
        "{detail} readings were there already, word for word, from another file",
        "Nothing to do: they are kept, and count once.",
    ),
    Problem(
        "missing-code",
        '"{raw_text}" stands {detail} times where nothing can be below zero; it was read as a missing value',
        "Nothing to do if that is right; else correct the cells and import the file again.",
    ),
    Problem(
        "missing-words",
        "{detail}",
        "Nothing to do if that is right; else correct the cells and import the file again.",
    ),
    Problem("column-repeated", 'the heading "{column}" occurs more than once', "Give each column its own heading."),
    Problem(
        "column-second", "two columns say the same kind of thing: {detail}", "Nothing to do if that is what is meant."
    ),
    Problem(
        "stage-derived",
        'no stage is stated; the {column} "{raw_text}" was read as {detail}',
        "Nothing to do if that is right; else add a column Stage (raw, treated, …).",
    ),
    Problem(
        "named-above",
        'the cell is empty; "{raw_text}", which stands above, was taken ({detail})',
        "Nothing to do if that is right; else fill in the cells.",
    ),
    Problem(
        "control-derived",
        'no kind of sample is stated; the {column} "{raw_text}" was read as a control: {detail}',
        "Controls are kept for the laboratory and not judged as waters. If it is a water, add a column Sample type.",
    ),
    Problem("encoding-fallback", "{detail}", "Save the file as UTF-8 if signs look wrong."),
    Problem(
        "formula-without-value",
        "the cell holds a formula without a stored value",
        "Open and save the workbook.",
    ),
    Problem("merged-cells", "merged cells ({detail}): only the first carries a value", "Unmerge and fill them."),
    Problem("date-ambiguous", '"{raw_text}" was read as {detail}', "Write dates as YYYY-MM-DD."),
    Problem(
        "time-skipped",
        '"{raw_text}" is a time that the clocks of {detail} skipped; it was read as the end of that hour',
        "Correct the time, or name its zone (setting time_zone, a column of time zones).",
    ),
    Problem("date-order", '"{raw_text}" was read as {detail}', "Write dates as YYYY-MM-DD."),
    Problem(
        "date-unreadable",
        '"{raw_text}" is not a date of the layout\'s formats',
        "Write dates as YYYY-MM-DD, or YYYY-MM.",
    ),
    Problem("number-repaired", '"{raw_text}" was read as {detail}', "Check it; write the number alone."),
    Problem("table-not-read", "{detail}", "If it is no cover, legend or limits: a layout with sheet and headerRow."),
    Problem("sheet-skipped", "{detail}", "Move the table to the first sheet or import it on its own."),
    Problem(
        "page-is-picture",
        "page {detail} is a picture without text; it was not read",
        "Ask for the report as a file, or type it.",
    ),
    Problem("row-outside-table", "{detail}", "Nothing to do if this is a preamble or a footer."),
    Problem(
        "quote-unclosed",
        "a quote opens a cell and nothing closes it ({raw_text}): {detail}",
        "Take the quote away or close it, so that every row is read as meant.",
    ),
    Problem(
        "quote-inside-text",
        "a quoted cell closes and text goes on ({raw_text}); cells may have run together, {detail}",
        "Double the quotes inside a quoted text.",
    ),
    Problem(
        "cell-very-long",
        "one cell holds {detail} of text ({raw_text} …)",
        "Look for a lost line end, delimiter or quote.",
    ),
)

PROBLEMS: Final[dict[str, Problem]] = {problem.code: problem for problem in _CATALOGUE}
