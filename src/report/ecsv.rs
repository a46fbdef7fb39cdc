//! Enhanced Character-Separated Values, the text table format of the Astropy
//! project (APE 6): a YAML header with units and descriptions, then comma-separated
//! rows. Missing is an empty field.

use crate::table::fits_table::{CardValue, Data, Table};

/// Columns of scalars only; a column with a cell shape is left out.
pub fn to_text(table: &Table) -> String {
    let columns: Vec<_> =
        table.columns.iter().filter(|c| c.cell.is_empty() && datatype(&c.data).is_some()).collect();
    let mut out = String::from("# %ECSV 1.0\n# ---\n# delimiter: ','\n# datatype:\n");
    for column in &columns {
        let datatype = datatype(&column.data).unwrap_or_default();
        let unit = if column.unit.is_empty() { String::new() } else { format!("unit: {}, ", column.unit) };
        let description = yaml_quoted(&column.description);
        let ucd = match column.ucd.as_str() {
            "" => String::new(),
            ucd => format!(", meta: {{ucd: {}}}", yaml_quoted(ucd)),
        };
        out.push_str(&format!(
            "# - {{name: {}, {unit}datatype: {datatype}, description: {description}{ucd}}}\n",
            column.name
        ));
    }
    out.push_str("# meta: !!omap\n");
    for card in &table.cards {
        let value = match &card.value {
            CardValue::Text(t) => yaml_quoted(t),
            CardValue::Int(i) => i.to_string(),
            CardValue::Float(v) => format!("{v:?}"),
            CardValue::Bool(b) => b.to_string(),
        };
        out.push_str(&format!("# - {{{}: {value}}}\n", card.key.to_lowercase()));
    }
    out.push_str("# schema: astropy-2.0\n");
    out.push_str(&columns.iter().map(|c| c.name.as_str()).collect::<Vec<_>>().join(","));
    out.push('\n');
    for row in 0..table.rows() {
        let fields: Vec<String> = columns.iter().map(|c| field(&c.data, row)).collect();
        out.push_str(&fields.join(","));
        out.push('\n');
    }
    out
}

/// The name of a scalar type; none for lists, which have no place in a text table.
fn datatype(data: &Data) -> Option<&'static str> {
    match data {
        Data::F64(_) => Some("float64"),
        Data::F32(_) => Some("float32"),
        Data::I32(_) => Some("int32"),
        Data::U8(_) => Some("uint8"),
        Data::Text(_) => Some("string"),
        Data::F32Lists(_) | Data::U8Lists(_) => None,
    }
}

fn field(data: &Data, row: usize) -> String {
    match data {
        Data::F64(v) if v[row].is_finite() => format!("{:?}", v[row]),
        Data::F32(v) if v[row].is_finite() => format!("{:?}", v[row]),
        Data::F64(_) | Data::F32(_) | Data::F32Lists(_) | Data::U8Lists(_) => String::new(),
        Data::I32(v) => v[row].map_or(String::new(), |i| i.to_string()),
        Data::U8(v) => v[row].to_string(),
        Data::Text(v) => csv_quoted(&v[row]),
    }
}

fn csv_quoted(text: &str) -> String {
    let text = text.replace(['\n', '\r'], " ");
    if text.contains([',', '"', '#', ' ']) { format!("\"{}\"", text.replace('"', "\"\"")) } else { text }
}

/// A JSON string is a YAML double-quoted string.
fn yaml_quoted(text: &str) -> String {
    serde_json::Value::from(text).to_string()
}
