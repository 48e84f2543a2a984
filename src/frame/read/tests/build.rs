//! A TIFF, BigTIFF or PNG file from its parts, for tests: anything can be said, true or not.

use miniz_oxide::deflate::compress_to_vec_zlib;

#[derive(Clone)]
pub struct Build {
    pub big_endian: bool,
    pub big_tiff: bool,
    /// Tag, field type (3 SHORT, 4 LONG, 7 UNDEFINED, 16 LONG8), values.
    pub tags: Vec<(u16, u16, Vec<u64>)>,
    pub chunks: Vec<Vec<u8>>,
    pub tiled: bool,
    /// Written instead of the true byte counts.
    pub counts: Option<Vec<u64>>,
    /// Where the directory says the next one is.
    pub next: u64,
}

impl Build {
    /// Strips of 8-bit samples, uncompressed.
    pub fn strips(width: u32, height: u32, channels: u16, rows: u32, samples: &[u8]) -> Build {
        let row = width as usize * channels as usize;
        let photometric = if channels >= 3 { 2 } else { 1 };
        let bits = vec![8; usize::from(channels)];
        Build {
            big_endian: false,
            big_tiff: false,
            tags: vec![
                (256, 4, vec![width.into()]),
                (257, 4, vec![height.into()]),
                (258, 3, bits),
                (259, 3, vec![1]),
                (262, 3, vec![photometric]),
                (277, 3, vec![channels.into()]),
                (278, 4, vec![rows.into()]),
            ],
            chunks: samples
                .chunks(row * rows as usize)
                .map(<[u8]>::to_vec)
                .collect(),
            tiled: false,
            counts: None,
            next: 0,
        }
    }

    /// Square tiles of 8-bit samples, uncompressed, padded with 0xee.
    pub fn tiles(width: u32, height: u32, channels: u16, side: u32, samples: &[u8]) -> Build {
        let n = usize::from(channels);
        let mut build = Build::strips(width, height, channels, height, samples);
        build.tags.retain(|tag| tag.0 != 278);
        build.tags.push((322, 4, vec![side.into()]));
        build.tags.push((323, 4, vec![side.into()]));
        build.tiled = true;
        build.chunks.clear();
        for y0 in (0..height).step_by(side as usize) {
            for x0 in (0..width).step_by(side as usize) {
                let mut tile = vec![0xee; (side * side) as usize * n];
                for y in y0..height.min(y0 + side) {
                    for x in x0..width.min(x0 + side) {
                        let from = (y * width + x) as usize * n;
                        let to = ((y - y0) * side + x - x0) as usize * n;
                        tile[to..to + n].copy_from_slice(&samples[from..from + n]);
                    }
                }
                build.chunks.push(tile);
            }
        }
        build
    }

    pub fn set(mut self, tag: u16, kind: u16, values: &[u64]) -> Build {
        self.tags.retain(|old| old.0 != tag);
        self.tags.push((tag, kind, values.to_vec()));
        self
    }

    pub fn without(mut self, tag: u16) -> Build {
        self.tags.retain(|old| old.0 != tag);
        self
    }

    pub fn deflated(mut self) -> Build {
        for chunk in &mut self.chunks {
            *chunk = compress_to_vec_zlib(chunk, 6);
        }
        self.set(259, 3, &[8])
    }

    fn put(&self, out: &mut Vec<u8>, value: u64, size: usize) {
        let bytes = value.to_le_bytes();
        if self.big_endian {
            out.extend(bytes[..size].iter().rev());
        } else {
            out.extend(&bytes[..size]);
        }
    }

    pub fn bytes(&self) -> Vec<u8> {
        let word = if self.big_tiff { 8 } else { 4 };
        let mut out = if self.big_endian {
            b"MM".to_vec()
        } else {
            b"II".to_vec()
        };
        if self.big_tiff {
            self.put(&mut out, 43, 2);
            self.put(&mut out, 8, 2);
            self.put(&mut out, 0, 2);
        } else {
            self.put(&mut out, 42, 2);
        }
        let pointer = out.len();
        out.extend(vec![0; word]);
        let mut offsets = Vec::new();
        for chunk in &self.chunks {
            offsets.push(out.len() as u64);
            out.extend(chunk);
        }
        let counts = self
            .counts
            .clone()
            .unwrap_or(self.chunks.iter().map(|chunk| chunk.len() as u64).collect());
        let mut tags = self.tags.clone();
        let kind = if self.big_tiff { 16 } else { 4 };
        let (at, length) = if self.tiled { (324, 325) } else { (273, 279) };
        for (tag, values) in [(at, offsets), (length, counts)] {
            if !tags.iter().any(|old| old.0 == tag) {
                tags.push((tag, kind, values));
            }
        }
        tags.sort_by_key(|tag| tag.0);
        let mut entries = Vec::new();
        for (tag, kind, values) in &tags {
            let size = match kind {
                1 | 2 | 7 => 1,
                3 => 2,
                16 => 8,
                _ => 4,
            };
            self.put(&mut entries, (*tag).into(), 2);
            self.put(&mut entries, (*kind).into(), 2);
            self.put(&mut entries, values.len() as u64, word);
            let mut data = Vec::new();
            for value in values {
                self.put(&mut data, *value, size);
            }
            if data.len() > word {
                self.put(&mut entries, out.len() as u64, word);
                out.extend(data);
            } else {
                data.resize(word, 0);
                entries.extend(data);
            }
        }
        let directory = out.len() as u64;
        let mut place = Vec::new();
        self.put(&mut place, directory, word);
        out[pointer..pointer + word].copy_from_slice(&place);
        self.put(
            &mut out,
            tags.len() as u64,
            if self.big_tiff { 8 } else { 2 },
        );
        out.extend(entries);
        self.put(&mut out, self.next, word);
        out
    }
}

/// Some samples without a pattern, the same every time.
pub fn noise(count: usize) -> Vec<u8> {
    let mut state = 0x2545_f491_4f6c_dd1du64;
    (0..count)
        .map(|_| {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            (state >> 32) as u8
        })
        .collect()
}

/// A PNG of these chunks, with right checksums.
pub fn png(chunks: &[(&[u8; 4], Vec<u8>)]) -> Vec<u8> {
    let mut out = b"\x89PNG\r\n\x1a\n".to_vec();
    for (kind, data) in chunks {
        out.extend((data.len() as u32).to_be_bytes());
        let mut body = kind.to_vec();
        body.extend(data);
        let check = crc32(&body);
        out.extend(body);
        out.extend(check.to_be_bytes());
    }
    out
}

/// IHDR of a PNG.
pub fn ihdr(width: u32, height: u32, bits: u8, colour_type: u8) -> (&'static [u8; 4], Vec<u8>) {
    let mut data = width.to_be_bytes().to_vec();
    data.extend(height.to_be_bytes());
    data.extend([bits, colour_type, 0, 0, 0]);
    (b"IHDR", data)
}

/// Unfiltered rows as an IDAT.
pub fn idat(rows: &[u8], row: usize) -> (&'static [u8; 4], Vec<u8>) {
    let filtered: Vec<u8> = rows
        .chunks(row)
        .flat_map(|row| std::iter::once(0).chain(row.iter().copied()))
        .collect();
    (b"IDAT", compress_to_vec_zlib(&filtered, 6))
}

/// ISO 3309, as PNG's annex D gives it.
fn crc32(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(u32::MAX, |crc, byte| {
        (0..8).fold(crc ^ u32::from(*byte), |crc, _| {
            (crc >> 1) ^ (0xedb8_8320 & (crc & 1).wrapping_neg())
        })
    })
}
