//! Numbers as people and spreadsheets write them: 3.5, 3,5, 1.200,5 and 1,200.5. A comma or point
//! that may part the fraction or the thousands (1,200) is never guessed at.

/// A number written with a decimal comma, with a point instead: what can only be a fraction, where
/// the column holds degrees.
pub(super) fn with_point(text: &str) -> Option<String> {
    let (whole, part) = text.split_once(',')?;
    (digits(unsigned(whole)) && digits(part)).then(|| format!("{whole}.{part}"))
}

/// The same number with a point for its fraction and no other sign, where commas are no
/// delimiters and it can be meant in one way only.
pub(super) fn spelt_with_point(text: &str) -> Option<String> {
    if !text.contains(',') {
        return None;
    }
    let number = unsigned(text);
    let (fraction_at, thousands) = match (number.rfind(','), number.rfind('.')) {
        (Some(comma), Some(point)) if comma > point => (Some(comma), '.'),
        (Some(_), Some(point)) => (Some(point), ','),
        (Some(_), None) if number.matches(',').count() > 1 => (None, ','),
        (Some(comma), None) if is_open(number, comma) => return None,
        (comma, _) => (comma, '.'),
    };
    let (whole, part) = match fraction_at {
        Some(at) => (number.get(..at)?, number.get(at + 1..)?),
        None => (number, "0"),
    };
    let whole = if whole.contains(thousands) { grouped(whole, thousands)? } else { whole.to_string() };
    let sign = text.get(..text.len() - number.len())?;
    (digits(&whole) && digits(part)).then(|| format!("{sign}{whole}.{part}"))
}

/// The number in a text that can be meant in one way only.
pub(super) fn understood(text: &str) -> Option<f64> {
    spelt_with_point(text)?.parse().ok()
}

/// Whether a text with a point may be meant as thousands, as 1.200 may beside decimal commas.
pub(super) fn may_be_thousands(text: &str) -> bool {
    let number = unsigned(text);
    number.find('.').is_some_and(|at| is_open(number, at))
}

/// Whether three digits follow at most three that are no lone nought: fraction or thousands?
fn is_open(number: &str, at: usize) -> bool {
    let (whole, part) = (number.get(..at).unwrap_or(""), number.get(at + 1..).unwrap_or(""));
    digits(whole) && digits(part) && part.len() == 3 && whole.len() <= 3 && !whole.starts_with('0')
}

/// The digits of a number in groups of three.
fn grouped(text: &str, sign: char) -> Option<String> {
    let mut groups = text.split(sign);
    let first = groups.next()?;
    let fits = (1..=3).contains(&first.len()) && groups.all(|group| group.len() == 3);
    fits.then(|| text.replace(sign, ""))
}

fn unsigned(text: &str) -> &str {
    text.strip_prefix(['-', '+']).unwrap_or(text)
}

fn digits(text: &str) -> bool {
    !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_numbers_that_can_be_meant_in_one_way_are_read() {
        for (text, number) in [
            ("3,5", 3.5),
            ("-148,25", -148.25),
            ("0,200", 0.2),
            ("1,2005", 1.2005),
            ("369259,887", 369_259.887),
            ("1.200,5", 1200.5),
            ("1,200.5", 1200.5),
            ("12,345,678", 12_345_678.0),
        ] {
            assert_eq!(understood(text), Some(number), "{text}");
        }
        for text in ["1,200", "-1,200", "12,34,5", "1.20,5", "a,b", ",5", "5,", "1,2,3", ""] {
            assert_eq!(understood(text), None, "{text}");
        }
        assert!(may_be_thousands("1.200") && !may_be_thousands("0.200") && !may_be_thousands("1.2"));
    }
}
