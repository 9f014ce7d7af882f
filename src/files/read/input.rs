//! A file being read: buffered, hashed on the way, its first bytes held for a look.

use std::fs::File;
use std::io::{self, BufReader, Read};
use std::path::Path;

use sha2::{Digest, Sha256};

use super::{FileError, hex};

/// How many bytes are looked at to tell the format.
const HEAD_BYTES: u64 = 4096;

/// A hashing reader over one file.
pub(super) struct Input {
    reader: BufReader<File>,
    head: Vec<u8>,
    served: usize,
    hash: Sha256,
    further: Vec<u8>,
}

impl Input {
    pub(super) fn open(place: &Path, path: &Path) -> Result<Self, FileError> {
        let file = File::open(place).map_err(|e| FileError::open(path, &e))?;
        let mut reader = BufReader::with_capacity(1 << 18, file);
        let mut head = Vec::new();
        reader.by_ref().take(HEAD_BYTES).read_to_end(&mut head).map_err(|e| FileError::open(path, &e))?;
        let mut hash = Sha256::new();
        hash.update(&head);
        let served = if head.starts_with(&[0xef, 0xbb, 0xbf]) { 3 } else { 0 };
        Ok(Self { reader, head, served, hash, further: Vec::new() })
    }

    /// The first bytes, after a byte-order mark.
    pub(super) fn head(&self) -> &[u8] {
        self.head.get(self.served..).unwrap_or(&[])
    }

    /// Refuses text in UTF-16, which spreadsheets write as "Unicode text".
    pub(super) fn expect_text(&self, path: &Path) -> Result<(), FileError> {
        if self.head.starts_with(&[0xff, 0xfe]) || self.head.starts_with(&[0xfe, 0xff]) {
            return Err(FileError::encoding(path, "it begins as UTF-16"));
        }
        Ok(())
    }

    /// Takes the bytes of a further file into the hash.
    pub(super) fn hash_further(&mut self, bytes: &[u8]) {
        self.further.extend_from_slice(bytes);
    }

    /// Reads what is left, so that the hash covers the whole file, and gives the hash.
    pub(super) fn finish(mut self, path: &Path) -> Result<String, FileError> {
        io::copy(&mut self, &mut io::sink()).map_err(|e| FileError::open(path, &e))?;
        self.hash.update(&self.further);
        Ok(hex(&self.hash.finalize()))
    }
}

impl Read for Input {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        let mut left = self.head();
        if !left.is_empty() {
            let n = left.read(out)?;
            self.served += n;
            return Ok(n);
        }
        let n = self.reader.read(out)?;
        self.hash.update(out.get(..n).unwrap_or(&[]));
        Ok(n)
    }
}
