//! The first image directory of a TIFF or BigTIFF file, and of Exif blocks: entries with checked extents.
//!
//! Every value's bytes are checked to lie inside the file before anything is allocated, and a list's length
//! is bounded by what the caller can use. Of a repeated tag the first counts, as in libtiff.

use super::super::FrameError;
use super::super::octets::{Octets, inside};

/// More entries than this is no picture.
const MAX_ENTRIES: u64 = 4096;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Order {
    Little,
    Big,
}

impl Order {
    pub fn u16(self, b: [u8; 2]) -> u16 {
        match self {
            Order::Little => u16::from_le_bytes(b),
            Order::Big => u16::from_be_bytes(b),
        }
    }

    pub fn u32(self, b: [u8; 4]) -> u32 {
        match self {
            Order::Little => u32::from_le_bytes(b),
            Order::Big => u32::from_be_bytes(b),
        }
    }

    pub fn u64(self, b: [u8; 8]) -> u64 {
        match self {
            Order::Little => u64::from_le_bytes(b),
            Order::Big => u64::from_be_bytes(b),
        }
    }
}

#[derive(Clone, Copy, Debug)]
pub struct Entry {
    pub tag: u16,
    /// The field type of TIFF 6.0 and BigTIFF.
    pub kind: u16,
    pub count: u64,
    /// Position of the first value in the file.
    pub at: u64,
}

#[derive(Clone, Debug)]
pub struct Directory {
    pub order: Order,
    pub big: bool,
    entries: Vec<Entry>,
}

impl Directory {
    /// The first directory.
    pub fn first(bytes: &(impl Octets + ?Sized)) -> Result<Directory, FrameError> {
        let mut head = [0; 16];
        bytes.read(0, &mut head[..8], "the TIFF header")?;
        let order = match &head[..2] {
            b"II" => Order::Little,
            b"MM" => Order::Big,
            _ => return Err(FrameError::UnknownFormat),
        };
        match order.u16([head[2], head[3]]) {
            42 => {
                let at = order.u32([head[4], head[5], head[6], head[7]]);
                Directory::at(bytes, order, false, u64::from(at))
            }
            43 => {
                bytes.read(0, &mut head, "the BigTIFF header")?;
                if order.u16([head[4], head[5]]) != 8 {
                    return Err(FrameError::damaged(
                        "the BigTIFF header",
                        "does not say that offsets have 8 bytes",
                    ));
                }
                let at = order.u64(head[8..16].try_into().unwrap_or_default());
                Directory::at(bytes, order, true, at)
            }
            _ => Err(FrameError::UnknownFormat),
        }
    }

    fn at(
        bytes: &(impl Octets + ?Sized),
        order: Order,
        big: bool,
        at: u64,
    ) -> Result<Directory, FrameError> {
        const WHAT: &str = "the image directory";
        let (head, size) = if big { (8, 20) } else { (2, 12) };
        let mut count = [0; 8];
        bytes.read(at, &mut count[..head], WHAT)?;
        let count = if big {
            order.u64(count)
        } else {
            u64::from(order.u16([count[0], count[1]]))
        };
        if count == 0 || count > MAX_ENTRIES {
            return Err(FrameError::damaged(
                WHAT,
                format!("says it has {count} entries; 1 to {MAX_ENTRIES} are possible"),
            ));
        }
        let first = at + head as u64;
        inside(first, count * size, bytes.size(), WHAT)?;
        let mut block = vec![0; (count * size) as usize];
        bytes.read(first, &mut block, WHAT)?;
        let entries = block
            .chunks_exact(size as usize)
            .enumerate()
            .map(|(k, raw)| entry(raw, order, big, first + k as u64 * size))
            .collect();
        Ok(Directory {
            order,
            big,
            entries,
        })
    }

    pub fn get(&self, tag: u16) -> Option<&Entry> {
        self.entries.iter().find(|entry| entry.tag == tag)
    }

    /// The whole numbers of a tag (BYTE, SHORT, LONG, IFD or LONG8), at most `most` of them; `None` if it is absent.
    pub fn numbers(
        &self,
        bytes: &(impl Octets + ?Sized),
        tag: u16,
        most: u64,
    ) -> Result<Option<Vec<u64>>, FrameError> {
        let Some(entry) = self.get(tag) else {
            return Ok(None);
        };
        let what = format!("tag {tag}");
        let size: usize = match entry.kind {
            1 => 1,
            3 => 2,
            4 | 13 => 4,
            16 | 18 => 8,
            other => {
                return Err(FrameError::damaged(
                    what,
                    format!(
                        "has the type {other}, where whole numbers are needed (1, 3, 4, 13, 16 or 18)"
                    ),
                ));
            }
        };
        if entry.count == 0 || entry.count > most {
            return Err(FrameError::damaged(
                what,
                format!(
                    "says it holds {} values; 1 to {most} are possible",
                    entry.count
                ),
            ));
        }
        inside(entry.at, entry.count * size as u64, bytes.size(), &what)?;
        let mut raw = vec![0; entry.count as usize * size];
        bytes.read(entry.at, &mut raw, &what)?;
        let order = self.order;
        let values = raw.chunks_exact(size).map(|b| match *b {
            [a] => u64::from(a),
            [a, b] => u64::from(order.u16([a, b])),
            [a, b, c, d] => u64::from(order.u32([a, b, c, d])),
            _ => order.u64(b.try_into().unwrap_or_default()),
        });
        Ok(Some(values.collect()))
    }

    /// The single whole number of a tag; `None` if it is absent.
    pub fn number(
        &self,
        bytes: &(impl Octets + ?Sized),
        tag: u16,
    ) -> Result<Option<u64>, FrameError> {
        Ok(self.numbers(bytes, tag, 1)?.map(|values| values[0]))
    }
}

fn entry(raw: &[u8], order: Order, big: bool, at: u64) -> Entry {
    let kind = order.u16([raw[2], raw[3]]);
    let (count, field) = if big {
        (order.u64(raw[4..12].try_into().unwrap_or_default()), 12)
    } else {
        (
            u64::from(order.u32(raw[4..8].try_into().unwrap_or_default())),
            8,
        )
    };
    let room = if big { 8 } else { 4 };
    let at = if count.saturating_mul(size_of_type(kind)) <= room {
        at + field
    } else if big {
        order.u64(raw[12..20].try_into().unwrap_or_default())
    } else {
        u64::from(order.u32(raw[8..12].try_into().unwrap_or_default()))
    };
    Entry {
        tag: order.u16([raw[0], raw[1]]),
        kind,
        count,
        at,
    }
}

/// TIFF 6.0 and BigTIFF field types. An unknown one is taken as a byte: nobody reads its value.
fn size_of_type(kind: u16) -> u64 {
    match kind {
        3 | 8 => 2,
        4 | 9 | 11 | 13 => 4,
        5 | 10 | 12 | 16 | 17 | 18 => 8,
        _ => 1,
    }
}
