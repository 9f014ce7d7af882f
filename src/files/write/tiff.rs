//! The layout of a TIFF file (TIFF 6.0, and BigTIFF beyond 4 GB): header, then all
//! directories, then the blocks of the last image first.

use std::io::{self, Write};

const TAG_TILE_OFFSETS: u16 = 324;
const TAG_TILE_BYTE_COUNTS: u16 = 325;

/// A tag with its values as bytes, low byte first.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Tag {
    code: u16,
    kind: u16,
    count: u64,
    bytes: Vec<u8>,
}

impl Tag {
    pub(super) fn short(code: u16, values: &[u16]) -> Self {
        Self::of(code, 3, values.len(), values.iter().flat_map(|v| v.to_le_bytes()).collect())
    }

    pub(super) fn long(code: u16, value: u32) -> Self {
        Self::of(code, 4, 1, value.to_le_bytes().to_vec())
    }

    pub(super) fn double(code: u16, values: &[f64]) -> Self {
        Self::of(code, 12, values.len(), values.iter().flat_map(|v| v.to_le_bytes()).collect())
    }

    pub(super) fn ascii(code: u16, text: &str) -> Self {
        let bytes: Vec<u8> = text.bytes().chain([0]).collect();
        Self::of(code, 2, bytes.len(), bytes)
    }

    /// Places or lengths in the file: 4 bytes each, 8 in a BigTIFF.
    fn places(code: u16, values: &[u64], big: bool) -> Self {
        let bytes = values.iter().flat_map(|v| v.to_le_bytes().into_iter().take(if big { 8 } else { 4 }));
        Self::of(code, if big { 16 } else { 4 }, values.len(), bytes.collect())
    }

    fn of(code: u16, kind: u16, count: usize, bytes: Vec<u8>) -> Self {
        Self { code, kind, count: count as u64, bytes }
    }
}

/// One image: its tags but for the places of its blocks, and how long each of them is.
pub(super) struct Directory {
    pub tags: Vec<Tag>,
    pub lengths: Vec<u64>,
}

impl Directory {
    /// One whose blocks are still to come.
    pub fn of(tags: Vec<Tag>, blocks: usize) -> Self {
        Self { tags, lengths: vec![0; blocks] }
    }

    /// All tags in order, with blocks that begin at `start`.
    fn all_tags(&self, start: u64, big: bool) -> Vec<Tag> {
        let places: Vec<u64> = self
            .lengths
            .iter()
            .scan(start, |at, length| {
                let place = *at;
                *at += length;
                Some(place)
            })
            .collect();
        let mut tags = self.tags.clone();
        tags.push(Tag::places(TAG_TILE_OFFSETS, &places, big));
        tags.push(Tag::places(TAG_TILE_BYTE_COUNTS, &self.lengths, big));
        tags.sort_by_key(|tag| tag.code);
        tags
    }

    fn block_bytes(&self) -> u64 {
        self.lengths.iter().sum()
    }

    /// The bytes of the directory, which stands at `at` and names `next` as the one after it.
    fn bytes(&self, at: u64, start: u64, next: u64, big: bool) -> Vec<u8> {
        let word = |value: u64| value.to_le_bytes().into_iter().take(if big { 8 } else { 4 });
        let tags = self.all_tags(start, big);
        let inline = if big { 8 } else { 4 };
        let fixed = if big { 8 + 20 * tags.len() + 8 } else { 2 + 12 * tags.len() + 4 };
        let mut out: Vec<u8> = if big {
            (tags.len() as u64).to_le_bytes().to_vec()
        } else {
            (tags.len() as u16).to_le_bytes().to_vec()
        };
        let mut rest = Vec::new();
        for tag in &tags {
            out.extend_from_slice(&tag.code.to_le_bytes());
            out.extend_from_slice(&tag.kind.to_le_bytes());
            out.extend(word(tag.count));
            if tag.bytes.len() <= inline {
                out.extend_from_slice(&tag.bytes);
                out.resize(out.len() + inline - tag.bytes.len(), 0);
            } else {
                out.extend(word(at + (fixed + rest.len()) as u64));
                rest.extend_from_slice(&tag.bytes);
                rest.resize(rest.len().next_multiple_of(8), 0);
            }
        }
        out.extend(word(next));
        out.extend_from_slice(&rest);
        out.resize(out.len().next_multiple_of(8), 0);
        out
    }
}

/// Bytes of blocks beyond which a file is a BigTIFF. Directories take far less than the 16 MB kept
/// free for them here.
pub(super) const MOST_BYTES: u64 = u32::MAX as u64 - (16 << 20);

/// Bytes of header and directories, which stand ahead of the blocks.
pub(super) fn head_bytes(images: &[Directory], big: bool) -> u64 {
    let head = if big { 16 } else { 8 };
    head + images.iter().map(|image| image.bytes(0, 0, 0, big).len() as u64).sum::<u64>()
}

/// Writes header and directories, the full image first in `images`. Their length does not depend
/// on that of the blocks, which follow: those of the last image first.
///
/// # Errors
/// Those of the underlying writer.
pub(super) fn write_head(out: &mut impl Write, images: &[Directory], big: bool) -> io::Result<()> {
    let mut start = head_bytes(images, big);
    let mut starts = vec![0; images.len()];
    for (i, image) in images.iter().enumerate().rev() {
        starts[i] = start;
        start += image.block_bytes();
    }
    if big {
        out.write_all(&[b'I', b'I', 43, 0, 8, 0, 0, 0, 16, 0, 0, 0, 0, 0, 0, 0])?;
    } else {
        out.write_all(&[b'I', b'I', 42, 0, 8, 0, 0, 0])?;
    }
    let mut at = if big { 16 } else { 8 };
    for (i, image) in images.iter().enumerate() {
        let length = image.bytes(0, 0, 0, big).len() as u64;
        let next = if i + 1 < images.len() { at + length } else { 0 };
        out.write_all(&image.bytes(at, starts[i], next, big))?;
        at += length;
    }
    Ok(())
}
