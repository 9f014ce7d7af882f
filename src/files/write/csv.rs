//! CSV for spreadsheets.

use std::io::{self, Write};

/// Writes a header and rows. A cell that a spreadsheet would take for a formula gets an
/// apostrophe in front, so that no text from an input file can run there; numbers are left
/// as they are. Signs of double width count too: some spreadsheets take them for the plain ones
/// (OWASP, "CSV Injection").
///
/// # Errors
/// Those of the underlying writer, and rows whose width differs from the header's.
pub fn write_csv(
    out: impl Write,
    header: &[&str],
    rows: impl IntoIterator<Item = Vec<String>>,
) -> io::Result<()> {
    let mut csv = csv::Writer::from_writer(out);
    csv.write_record(header).map_err(io::Error::other)?;
    for row in rows {
        csv.write_record(row.iter().map(|cell| defused(cell))).map_err(io::Error::other)?;
    }
    csv.flush()
}

/// Writes cells that have been looked at already, among them what people wrote themselves.
///
/// # Errors
/// Those of the underlying writer, and rows whose width differs from the header's.
pub fn write_csv_as_it_is(out: impl Write, header: &[String], rows: &[Vec<String>]) -> io::Result<()> {
    let mut csv = csv::Writer::from_writer(out);
    csv.write_record(header).map_err(io::Error::other)?;
    for row in rows {
        csv.write_record(row).map_err(io::Error::other)?;
    }
    csv.flush()
}

/// A cell that no spreadsheet takes for a formula.
pub fn defused(cell: &str) -> String {
    let risky = cell.starts_with(['=', '+', '-', '@', '\t', '\r', '\n', '＝', '＋', '－', '＠']);
    let number = cell.parse::<f64>().is_ok_and(f64::is_finite);
    if risky && !number { format!("'{cell}") } else { cell.to_string() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn formulas_are_defused_and_numbers_are_not() {
        let mut out = Vec::new();
        let rows = [
            ["=1+1", "-35.5", "plain"],
            ["+61 2 5550", "+1e3", "-"],
            ["@SUM(A1)", "-inf", "-1-1"],
            ["\t=1", "\r=1", "＝1"],
            ["a=1", "0", ""],
        ];
        write_csv(&mut out, &["a", "b", "c"], rows.map(|row| row.map(String::from).to_vec())).unwrap();
        assert_eq!(
            String::from_utf8(out).unwrap(),
            "a,b,c\n'=1+1,-35.5,plain\n'+61 2 5550,+1e3,'-\n'@SUM(A1),'-inf,'-1-1\n\
             '\t=1,\"'\r=1\",'＝1\na=1,0,\n"
        );
    }
}
