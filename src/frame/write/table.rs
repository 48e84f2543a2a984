//! The tag table of a TIFF (its image file directory): entries, and the values they point at.
//!
//! Little-endian; the table starts and every value lies at a multiple of 8, which both kinds of TIFF allow.

use super::Offsets;

/// Field types of TIFF 6.0, section 2, and LONG8 of BigTIFF.
pub(super) const BYTE: u16 = 1;
const ASCII: u16 = 2;
const SHORT: u16 = 3;
const LONG: u16 = 4;
const RATIONAL: u16 = 5;
pub(super) const UNDEFINED: u16 = 7;
const LONG8: u16 = 16;

/// One entry of the tag table: its values as they stand in the file.
pub(super) struct Field {
    tag: u16,
    kind: u16,
    count: u64,
    values: Vec<u8>,
}

impl Field {
    pub(super) fn bytes(tag: u16, kind: u16, values: &[u8]) -> Field {
        Field {
            tag,
            kind,
            count: values.len() as u64,
            values: values.to_vec(),
        }
    }

    pub(super) fn shorts(tag: u16, values: &[u16]) -> Field {
        Field {
            tag,
            kind: SHORT,
            count: values.len() as u64,
            values: values
                .iter()
                .flat_map(|value| value.to_le_bytes())
                .collect(),
        }
    }

    pub(super) fn longs(tag: u16, values: &[u32]) -> Field {
        Field {
            tag,
            kind: LONG,
            count: values.len() as u64,
            values: values
                .iter()
                .flat_map(|value| value.to_le_bytes())
                .collect(),
        }
    }

    /// Offsets or lengths of tiles. The size rule keeps narrow ones within 32 bits.
    pub(super) fn places(
        tag: u16,
        places: impl ExactSizeIterator<Item = u64>,
        offsets: Offsets,
    ) -> Field {
        let count = places.len() as u64;
        let (kind, values) = match offsets {
            Offsets::Narrow => (
                LONG,
                places
                    .flat_map(|place| (place as u32).to_le_bytes())
                    .collect(),
            ),
            Offsets::Wide => (LONG8, places.flat_map(u64::to_le_bytes).collect()),
        };
        Field {
            tag,
            kind,
            count,
            values,
        }
    }

    /// A text ends with NUL, which counts.
    pub(super) fn text(tag: u16, text: Option<String>) -> Option<Field> {
        let mut values = text?.into_bytes();
        values.push(0);
        Some(Field::bytes(tag, ASCII, &values))
    }

    /// A density to 1/1000 per inch, in lowest terms where it is whole.
    pub(super) fn density(tag: u16, ppi: f64) -> Field {
        let thousandths = (ppi * 1000.0 + 0.5).floor() as u32;
        let (numerator, denominator) = if thousandths.is_multiple_of(1000) {
            (thousandths / 1000, 1)
        } else {
            (thousandths, 1000)
        };
        let longs = Field::longs(tag, &[numerator, denominator]);
        Field {
            kind: RATIONAL,
            count: 1,
            ..longs
        }
    }
}

/// The tag table at offset `start` (a multiple of 8), followed by the values that don't fit their entries, each at a multiple of 8.
pub(super) fn table(fields: &[Field], start: u64, offsets: Offsets) -> Vec<u8> {
    let (head, entry, room) = match offsets {
        Offsets::Narrow => (2, 12, 4),
        Offsets::Wide => (8, 20, 8),
    };
    let length = head + entry * fields.len() + room;
    let mut beyond = start + length as u64;
    let mut table = Vec::with_capacity(length);
    let put =
        |table: &mut Vec<u8>, number: u64| table.extend_from_slice(&number.to_le_bytes()[..room]);
    table.extend_from_slice(&(fields.len() as u64).to_le_bytes()[..head]);
    let mut values = Vec::new();
    for field in fields {
        table.extend_from_slice(&field.tag.to_le_bytes());
        table.extend_from_slice(&field.kind.to_le_bytes());
        put(&mut table, field.count);
        if field.values.len() <= room {
            table.extend_from_slice(&field.values);
            table.resize(table.len() + room - field.values.len(), 0);
        } else {
            let gap = beyond.next_multiple_of(8) - beyond;
            values.resize(values.len() + gap as usize, 0);
            put(&mut table, beyond + gap);
            values.extend_from_slice(&field.values);
            beyond += gap + field.values.len() as u64;
        }
    }
    // No further picture follows.
    put(&mut table, 0);
    table.extend_from_slice(&values);
    table
}
