//! JSON text cut into values by a look at brackets and quotes, without parsing them.

use std::io::{self, Read};

use memchr::memchr2;

use crate::files::read::Input;

/// Bytes read at a time.
const BLOCK_BYTES: usize = 1 << 20;

/// Where a value stands in the file, in bytes after a byte-order mark.
#[derive(Clone, Copy)]
pub(super) struct Span {
    pub start: u64,
    pub end: u64,
}

/// A stretch of the text, on its own.
pub(super) struct Piece {
    bytes: Vec<u8>,
    /// Its place in the file.
    start: u64,
}

impl Piece {
    /// The bytes of a value in it.
    pub(super) fn slice(&self, span: Span) -> &[u8] {
        slice(&self.bytes, self.start, span)
    }
}

/// The bytes of a value in a stretch that begins at `start` of the file.
fn slice(bytes: &[u8], start: u64, span: Span) -> &[u8] {
    let place = |at: u64| at.saturating_sub(start) as usize;
    bytes.get(place(span.start)..place(span.end)).unwrap_or(&[])
}

/// A text being read, with what has not been released held in memory.
pub(super) struct Text<'i> {
    input: &'i mut Input,
    bytes: Vec<u8>,
    /// Place of `bytes` in the file.
    start: u64,
    /// Where reading stands in `bytes`.
    at: usize,
    /// What lies before it in `bytes` may be dropped.
    released: usize,
}

impl<'i> Text<'i> {
    pub(super) fn new(input: &'i mut Input) -> Self {
        Self { input, bytes: Vec::new(), start: 0, at: 0, released: 0 }
    }

    /// Lets go of all that was read.
    pub(super) fn release(&mut self) {
        self.released = self.at;
    }

    /// Where reading stands in the file, after a byte-order mark.
    pub(super) fn here(&self) -> u64 {
        self.start + self.at as u64
    }

    /// How many bytes have been read and not released.
    pub(super) fn held(&self) -> usize {
        self.at - self.released
    }

    /// Hands over all that was read and not released, so that it can be parsed while reading
    /// goes on.
    pub(super) fn cut(&mut self) -> Piece {
        let ahead = self.bytes.get(self.at..).unwrap_or_default().to_vec();
        let mut bytes = std::mem::replace(&mut self.bytes, ahead);
        bytes.truncate(self.at);
        let piece = Piece { bytes, start: self.start };
        self.start += self.at as u64;
        (self.at, self.released) = (0, 0);
        piece
    }

    /// The bytes of a value that has not been released.
    pub(super) fn slice(&self, span: Span) -> &[u8] {
        slice(&self.bytes, self.start, span)
    }

    /// Reads on; false at the end of the file.
    fn more(&mut self) -> io::Result<bool> {
        self.bytes.drain(..self.released);
        self.start += self.released as u64;
        self.at -= self.released;
        self.released = 0;
        let room = self.bytes.len();
        self.bytes.reserve(BLOCK_BYTES);
        let read = self.input.by_ref().take(BLOCK_BYTES as u64).read_to_end(&mut self.bytes)?;
        debug_assert_eq!(self.bytes.len(), room + read);
        Ok(read > 0)
    }

    /// The next byte that is neither white space nor a record separator (RFC 8142).
    pub(super) fn peek(&mut self) -> io::Result<Option<u8>> {
        loop {
            while let Some(&b) = self.bytes.get(self.at) {
                if !matches!(b, b' ' | b'\n' | b'\r' | b'\t' | 0x1e) {
                    return Ok(Some(b));
                }
                self.at += 1;
            }
            if !self.more()? {
                return Ok(None);
            }
        }
    }

    /// Steps over one byte, if it is the one expected.
    pub(super) fn step(&mut self, expected: u8) -> io::Result<bool> {
        let found = self.peek()? == Some(expected);
        self.at += usize::from(found);
        Ok(found)
    }

    /// The next value, whole and at least a byte long; `None` where the text ends before it does
    /// or where what stands next can begin no value.
    pub(super) fn value(&mut self) -> io::Result<Option<Span>> {
        let Some(first) = self.peek()? else { return Ok(None) };
        let mut from = self.at;
        let mut look = Look::new(first);
        loop {
            let end = look.end_in(&self.bytes, &mut from);
            if let Some(end) = end {
                if end == self.at {
                    return Ok(None);
                }
                let span = Span { start: self.start + self.at as u64, end: self.start + end as u64 };
                self.at = end;
                return Ok(Some(span));
            }
            let before = self.start;
            let more = self.more()?;
            from -= (self.start - before) as usize;
            if !more {
                let ended = look.is_scalar();
                let span =
                    Span { start: self.start + self.at as u64, end: self.start + self.bytes.len() as u64 };
                self.at = if ended { self.bytes.len() } else { self.at };
                return Ok(ended.then_some(span));
            }
        }
    }
}

/// The state of the search for the end of a value, kept while more text is read.
struct Look {
    depth: usize,
    quoted: bool,
    scalar: bool,
}

impl Look {
    fn new(first: u8) -> Self {
        Self { depth: 0, quoted: false, scalar: !matches!(first, b'{' | b'[' | b'"') }
    }

    fn is_scalar(&self) -> bool {
        self.scalar
    }

    /// Looks on from `from`; the end of the value, or `None` with `from` moved to the end of
    /// the text.
    #[expect(clippy::indexing_slicing, reason = "a byte is below 256, the length of both tables")]
    fn end_in(&mut self, bytes: &[u8], from: &mut usize) -> Option<usize> {
        while let Some(rest) = bytes.get(*from..).filter(|rest| !rest.is_empty()) {
            if self.quoted {
                let Some(i) = memchr2(b'"', b'\\', rest) else { break };
                if rest.get(i) == Some(&b'\\') {
                    if i + 1 >= rest.len() {
                        *from += i;
                        return None;
                    }
                    *from += i + 2;
                    continue;
                }
                self.quoted = false;
                *from += i + 1;
                if self.depth == 0 {
                    return Some(*from);
                }
                continue;
            }
            let marks =
                rest.iter().position(|&b| MARKS[usize::from(b)] || self.scalar && ENDS[usize::from(b)]);
            let Some(i) = marks else { break };
            match rest.get(i) {
                _ if self.scalar => return Some(*from + i),
                Some(b'"') => self.quoted = true,
                Some(b'{' | b'[') => self.depth += 1,
                _ => {
                    self.depth = self.depth.saturating_sub(1);
                    if self.depth == 0 {
                        *from += i + 1;
                        return Some(*from);
                    }
                }
            }
            *from += i + 1;
        }
        *from = bytes.len();
        None
    }
}

/// Bytes that open or close something.
static MARKS: [bool; 256] = table(b"{}[]\"");
/// Bytes that end a number or a word.
static ENDS: [bool; 256] = table(b",}] \n\r\t:");

#[expect(clippy::indexing_slicing, reason = "it runs when the program is built")]
const fn table(marks: &[u8]) -> [bool; 256] {
    let mut table = [false; 256];
    let mut i = 0;
    while i < marks.len() {
        table[marks[i] as usize] = true;
        i += 1;
    }
    table
}
