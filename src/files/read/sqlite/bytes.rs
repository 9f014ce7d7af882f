//! Numbers in pages and records. Every position is checked before it is looked at.

pub(super) fn damaged(what: &str) -> String {
    format!("is a damaged database: {what}; copy it again")
}

pub(super) fn slice(bytes: &[u8], at: usize, length: usize) -> Result<&[u8], String> {
    at.checked_add(length).and_then(|end| bytes.get(at..end)).ok_or_else(|| damaged("a page is cut short"))
}

pub(super) fn byte(bytes: &[u8], at: usize) -> Result<u8, String> {
    bytes.get(at).copied().ok_or_else(|| damaged("a page is cut short"))
}

pub(super) fn u16_at(bytes: &[u8], at: usize) -> Result<u16, String> {
    Ok(u16::from_be_bytes([byte(bytes, at)?, byte(bytes, at + 1)?]))
}

pub(super) fn u32_at(bytes: &[u8], at: usize) -> Result<u32, String> {
    Ok(u32::from(u16_at(bytes, at)?) << 16 | u32::from(u16_at(bytes, at + 2)?))
}

/// A variable-length integer and the position after it.
pub(super) fn varint(bytes: &[u8], at: usize) -> Result<(i64, usize), String> {
    let mut value = 0_i64;
    for i in 0..9 {
        let b = byte(bytes, at + i)?;
        if i == 8 {
            return Ok((value << 8 | i64::from(b), at + 9));
        }
        value = value << 7 | i64::from(b & 0x7f);
        if b & 0x80 == 0 {
            return Ok((value, at + i + 1));
        }
    }
    Err(damaged("a number is cut short"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn varints_are_those_of_the_format() {
        assert_eq!(varint(&[0x7f], 0), Ok((127, 1)));
        assert_eq!(varint(&[0x81, 0x00], 0), Ok((128, 2)));
        assert_eq!(varint(&[0xff; 9], 0), Ok((-1, 9)));
        assert!(varint(&[0x81], 0).is_err());
    }
}
