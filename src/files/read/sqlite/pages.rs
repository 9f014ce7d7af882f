//! The pages of a database: from its file, and from the write-ahead log beside it, where one
//! holds changes that are committed and not yet in the file (sqlite.org, "Database File Format",
//! section 4). Another program may have the database open: its log is read as SQLite reads it.

use std::collections::HashMap;
use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use super::bytes::{damaged, slice, u32_at};

/// What is added to the name of a database for its write-ahead log.
pub(super) const LOG: &str = "-wal";
/// The first bytes of a rollback journal that is still needed.
const JOURNAL_MARK: [u8; 8] = [0xd9, 0xd5, 0x05, 0xf9, 0x20, 0xa1, 0x63, 0xd7];
/// The first bytes of a write-ahead log, but for the last bit: how its checksums are counted.
const LOG_MARK: u32 = 0x377f_0682;
const LOG_VERSION: u32 = 3_007_000;
const LOG_HEADER_BYTES: usize = 32;
const FRAME_HEADER_BYTES: usize = 24;

/// The pages of a database.
pub(super) struct Pages {
    file: File,
    pub(super) page_bytes: usize,
    /// How many pages there are.
    pub(super) count: u32,
    log: Option<Log>,
}

/// The committed pages in a write-ahead log.
struct Log {
    file: File,
    /// Where the newest committed form of a page begins.
    places: HashMap<u32, u64>,
}

impl Pages {
    /// Opens a database file and the log beside it.
    ///
    /// # Errors
    /// In words: what is wrong with the file.
    pub(super) fn open(place: &Path) -> Result<Self, String> {
        let mut file = File::open(place).map_err(|e| e.to_string())?;
        let mut header = [0; 100];
        file.read_exact(&mut header).map_err(|_| "is cut short".to_string())?;
        let page_bytes = match u16::from_be_bytes([header[16], header[17]]) {
            1 => 65536,
            n if n.is_power_of_two() && n >= 512 => usize::from(n),
            n => return Err(format!("has pages of {n} bytes, which SQLite does not know")),
        };
        if begins_with(&beside(place, "-journal"), &JOURNAL_MARK) {
            return Err(
                "holds a change that was broken off (a -journal file lies beside it); open and close it \
                        once in the program that wrote it"
                    .into(),
            );
        }
        let length = file.metadata().map_err(|e| e.to_string())?.len();
        let count =
            u32::try_from(length / page_bytes as u64).map_err(|_| "has too many pages".to_string())?;
        let mut pages = Self { file, page_bytes, count, log: None };
        if let Ok(log) = File::open(beside(place, LOG))
            && log.metadata().is_ok_and(|m| m.len() > LOG_HEADER_BYTES as u64)
        {
            pages.add_log(log)?;
        }
        Ok(pages)
    }

    /// A page by its number, which counts from 1.
    ///
    /// # Errors
    /// In words: it is not there.
    pub(super) fn page(&mut self, number: u32) -> Result<Vec<u8>, String> {
        if number == 0 || number > self.count {
            return Err(damaged(&format!("page {number} lies outside the file; it looks cut short")));
        }
        let mut page = vec![0; self.page_bytes];
        let logged =
            self.log.as_mut().and_then(|log| Some((log.places.get(&number).copied()?, &mut log.file)));
        let (at, file) =
            logged.unwrap_or_else(|| (u64::from(number - 1) * self.page_bytes as u64, &mut self.file));
        file.seek(SeekFrom::Start(at)).map_err(|e| e.to_string())?;
        file.read_exact(&mut page).map_err(|_| damaged(&format!("page {number} is cut short")))?;
        Ok(page)
    }

    /// Finds the committed pages of a log. Frames count up to the last commit whose salts are
    /// those of the header and whose checksums hold; what follows was never committed or is of
    /// an earlier use of the log.
    fn add_log(&mut self, file: File) -> Result<(), String> {
        let mut log = BufReader::with_capacity(1 << 18, file);
        let mut header = [0; LOG_HEADER_BYTES];
        log.read_exact(&mut header).map_err(|e| e.to_string())?;
        let mark = u32_at(&header, 0)?;
        let mut sum = Checksum { big_endian: mark & 1 == 1, sums: [0, 0] };
        sum.add(slice(&header, 0, 24)?);
        if mark & !1 != LOG_MARK || !sum.is(&header, 24)? {
            return Ok(()); // no log in use, as SQLite has it
        }
        if u32_at(&header, 4)? != LOG_VERSION || u32_at(&header, 8)? as usize != self.page_bytes {
            return Err("has a -wal file beside it that belongs to another database; open and close the \
                        database once in the program that wrote it"
                .into());
        }
        let (mut places, mut pending) = (HashMap::new(), HashMap::new());
        let mut frame = vec![0; FRAME_HEADER_BYTES + self.page_bytes];
        let mut at = LOG_HEADER_BYTES as u64;
        while log.read_exact(&mut frame).is_ok() {
            sum.add(slice(&frame, 0, 8)?);
            sum.add(slice(&frame, FRAME_HEADER_BYTES, self.page_bytes)?);
            if slice(&frame, 8, 8)? != slice(&header, 16, 8)? || !sum.is(&frame, 16)? {
                break;
            }
            pending.insert(u32_at(&frame, 0)?, at + FRAME_HEADER_BYTES as u64);
            let size = u32_at(&frame, 4)?;
            if size > 0 {
                places.extend(pending.drain());
                self.count = size;
            }
            at += frame.len() as u64;
        }
        self.log = Some(Log { file: log.into_inner(), places });
        Ok(())
    }
}

/// The checksum of a write-ahead log, which runs on from frame to frame.
struct Checksum {
    big_endian: bool,
    sums: [u32; 2],
}

impl Checksum {
    fn add(&mut self, bytes: &[u8]) {
        let [mut a, mut b] = self.sums;
        for &[p, q, r, s, t, u, v, w] in bytes.as_chunks().0 {
            let (one, two) = match self.big_endian {
                true => (u32::from_be_bytes([p, q, r, s]), u32::from_be_bytes([t, u, v, w])),
                false => (u32::from_le_bytes([p, q, r, s]), u32::from_le_bytes([t, u, v, w])),
            };
            a = a.wrapping_add(one).wrapping_add(b);
            b = b.wrapping_add(two).wrapping_add(a);
        }
        self.sums = [a, b];
    }

    /// Whether it is the one that stands at a place.
    fn is(&self, bytes: &[u8], at: usize) -> Result<bool, String> {
        Ok(self.sums == [u32_at(bytes, at)?, u32_at(bytes, at + 4)?])
    }
}

pub(super) fn beside(place: &Path, ending: &str) -> PathBuf {
    let name = place.file_name().unwrap_or_default();
    let mut named = name.to_os_string();
    named.push(ending);
    place.with_file_name(named)
}

fn begins_with(place: &Path, mark: &[u8; 8]) -> bool {
    let mut head = [0; 8];
    File::open(place).is_ok_and(|mut file| file.read_exact(&mut head).is_ok()) && head == *mark
}
