//! Where a table comes from: the same cards in every table of a result.

use crate::table::fits_table::Table;
use crate::verdict::Verdict;

/// An empty table that says its format, what made it, from which call, to which requirement.
pub fn table(name: &str, schema: &str, verdict: &Verdict) -> Table {
    let mut table = Table::new(name);
    table.text("SCHEMA", schema, "name and version of this format");
    table.text("TOOLVER", &verdict.tool.version, "version of stackworthy");
    table.text("COMMAND", &verdict.tool.arguments.join(" "), "");
    table.text("DECISION", verdict.decision.word(), "the verdict");
    table.text("SIZEDEF", &verdict.size_definition.weight, "weight of the moments");
    table.text("REQUIRE", &verdict.requirement.name, "requirement");
    table.float("SIZELIM", Some(verdict.requirement.size_limit), "limit of rms change, of T");
    table.float("ELLIPLIM", Some(verdict.requirement.ellipticity_limit), "limit of rms change, of e");
    table.float("CONFID", Some(verdict.confidence), "confidence of the intervals");
    table
}
