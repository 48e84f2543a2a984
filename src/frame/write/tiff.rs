//! The TIFF container: header, tiles in index order, then the tag table with what it points at.
//!
//! Always little-endian and canonical: the same image gives the same layout, every offset is even. Tags and types
//! follow TIFF 6.0; the ICC profile is UNDEFINED (ICC.1:2022, B.3), XMP is BYTE (ISO 16684-3); 64-bit offsets as the
//! BigTIFF layout of libtiff has them. Texts are UTF-8, in which plain ASCII stays ASCII (common practice for these tags).

use std::io::{self, Seek, SeekFrom, Write};

use super::table::{BYTE, Field, UNDEFINED, table};
use super::words::printable;
use super::{Compression, Depth, Image, TILE, WriteFault, xmp};

/// ExtraSamples: alpha that the colours are not multiplied with.
const UNASSOCIATED: u16 = 2;

/// How wide the file's offsets are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Offsets {
    /// Classic TIFF: 32 bits.
    Narrow,
    /// BigTIFF: 64 bits.
    Wide,
}

/// Writes one picture, tile by tile, to anything that can seek. Nothing of it is a TIFF before [`TiffWriter::finish`].
#[derive(Debug)]
pub struct TiffWriter<W: Write + Seek> {
    sink: W,
    image: Image,
    packet: String,
    offsets: Offsets,
    position: u64,
    tiles: Vec<(u64, u64)>,
}

impl Image {
    /// The offsets this picture gets: narrow when the file would end below 4 GiB even if no tile packed well.
    pub fn offsets(&self) -> Offsets {
        let tiles = self.tile_count();
        // 16 bytes of tables a tile, the profile, and 1 MiB for all other tags and texts.
        let end = (self.packed_limit() + 16)
            .saturating_mul(tiles)
            .saturating_add(self.icc.len() as u64 + (1 << 20));
        if end <= u64::from(u32::MAX) {
            Offsets::Narrow
        } else {
            Offsets::Wide
        }
    }
}

impl<W: Write + Seek> TiffWriter<W> {
    /// Begins a file at the sink's start, with the offsets its size asks for. Refuses what TIFF or its readers can't hold.
    pub fn new(sink: W, image: Image) -> Result<TiffWriter<W>, WriteFault> {
        let offsets = image.offsets();
        TiffWriter::with_offsets(sink, image, offsets)
    }

    /// As [`TiffWriter::new`], but a BigTIFF whatever the size.
    pub fn wide(sink: W, image: Image) -> Result<TiffWriter<W>, WriteFault> {
        TiffWriter::with_offsets(sink, image, Offsets::Wide)
    }

    fn with_offsets(
        mut sink: W,
        image: Image,
        offsets: Offsets,
    ) -> Result<TiffWriter<W>, WriteFault> {
        image.checked()?;
        image.tiles_checked()?;
        let packet = xmp::packet(&image.words)?;
        // The place of the table is not known yet: it is put in at the end.
        let header: &[u8] = match offsets {
            Offsets::Narrow => &[b'I', b'I', 42, 0, 0, 0, 0, 0],
            Offsets::Wide => &[b'I', b'I', 43, 0, 8, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0],
        };
        sink.seek(SeekFrom::Start(0))?;
        sink.write_all(header)?;
        Ok(TiffWriter {
            sink,
            image,
            packet,
            offsets,
            position: header.len() as u64,
            tiles: Vec::new(),
        })
    }

    /// Appends the next tile, as [`Image::encoded_tile`] gave it. Tiles come in index order.
    pub fn push(&mut self, encoded: &[u8]) -> Result<(), WriteFault> {
        let wanted = self.image.tile_count();
        let got = self.tiles.len() as u64 + 1;
        if got > wanted {
            let what = "tiles";
            return Err(WriteFault::Count { what, wanted, got });
        }
        let limit = self.image.packed_limit() as usize;
        if encoded.len() > limit {
            return Err(WriteFault::Long {
                what: "an encoded tile",
                bytes: encoded.len(),
                limit,
            });
        }
        self.sink.write_all(encoded)?;
        self.tiles.push((self.position, encoded.len() as u64));
        self.position += encoded.len() as u64;
        self.align(2)
    }

    /// Writes the tag table and gives the sink back, flushed. Refuses a picture whose tiles are not all there.
    pub fn finish(mut self) -> Result<W, WriteFault> {
        let wanted = self.image.tile_count();
        let got = self.tiles.len() as u64;
        if got != wanted {
            let what = "tiles";
            return Err(WriteFault::Count { what, wanted, got });
        }
        self.align(8)?;
        let start = self.position;
        let table = table(&self.fields(), start, self.offsets);
        self.sink.write_all(&table)?;
        match self.offsets {
            Offsets::Narrow => {
                let start = u32::try_from(start).map_err(|_| beyond_offsets())?;
                self.sink.seek(SeekFrom::Start(4))?;
                self.sink.write_all(&start.to_le_bytes())?;
            }
            Offsets::Wide => {
                self.sink.seek(SeekFrom::Start(8))?;
                self.sink.write_all(&start.to_le_bytes())?;
            }
        }
        self.sink.flush()?;
        Ok(self.sink)
    }

    fn align(&mut self, to: u64) -> Result<(), WriteFault> {
        let gap = self.position.next_multiple_of(to) - self.position;
        self.sink.write_all(&[0; 8][..gap as usize])?;
        self.position += gap;
        Ok(())
    }

    /// The tags in ascending order.
    fn fields(&self) -> Vec<Field> {
        let image = &self.image;
        let samples = image.channels.count();
        let (photometric, bits, format) = (
            if image.channels.is_gray() { 1 } else { 2 },
            8 * image.depth.bytes() as u16,
            if image.depth == Depth::F32 { 3 } else { 1 },
        );
        let compression = match image.compression {
            Compression::None => 1,
            Compression::Lzw => 5,
            Compression::Deflate => 8,
        };
        let words = &image.words;
        let mut fields = vec![
            Field::longs(254, &[0]),
            Field::longs(256, &[image.width]),
            Field::longs(257, &[image.height]),
            Field::shorts(258, &vec![bits; samples]),
            Field::shorts(259, &[compression]),
            Field::shorts(262, &[photometric]),
        ];
        fields.extend(Field::text(270, printable(&words.title)));
        fields.extend([
            Field::shorts(274, &[1]),
            Field::shorts(277, &[samples as u16]),
            Field::density(282, image.ppi),
            Field::density(283, image.ppi),
            Field::shorts(284, &[1]),
            Field::shorts(296, &[2]),
        ]);
        fields.extend(Field::text(305, Some("Platewright".to_string())));
        fields.extend(Field::text(306, words.date.map(|date| date.tiff())));
        fields.extend(Field::text(315, printable(&words.creator)));
        fields.extend(
            image
                .predictor()
                .map(|number| Field::shorts(317, &[number])),
        );
        fields.extend([
            Field::longs(322, &[TILE]),
            Field::longs(323, &[TILE]),
            Field::places(324, self.tiles.iter().map(|tile| tile.0), self.offsets),
            Field::places(325, self.tiles.iter().map(|tile| tile.1), self.offsets),
        ]);
        if image.channels.has_alpha() {
            fields.push(Field::shorts(338, &[UNASSOCIATED]));
        }
        fields.extend([
            Field::shorts(339, &vec![format; samples]),
            Field::bytes(700, BYTE, self.packet.as_bytes()),
        ]);
        fields.extend(Field::text(33432, printable(&words.rights)));
        if !image.icc.is_empty() {
            fields.push(Field::bytes(34675, UNDEFINED, &image.icc));
        }
        fields
    }
}

fn beyond_offsets() -> io::Error {
    io::Error::new(
        io::ErrorKind::FileTooLarge,
        "a TIFF with 32-bit offsets ends at 4 GiB",
    )
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;

    use proptest::prelude::*;
    use tiff::decoder::{Decoder, DecodingResult, Limits};
    use tiff::tags::Tag;

    use super::super::tests::{image, noise, part};
    use super::super::{Channels, Codes};
    use super::*;

    /// The picture's file in memory.
    fn written(image: &Image, samples: Codes<'_>, offsets: Offsets) -> Vec<u8> {
        let mut writer =
            TiffWriter::with_offsets(Cursor::new(Vec::new()), image.clone(), offsets).unwrap();
        for (k, rect) in image.tile_rects().iter().enumerate() {
            let encoded = part(samples, image, rect, |codes| image.encoded_tile(codes, k));
            writer.push(&encoded).unwrap();
        }
        writer.finish().unwrap().into_inner()
    }

    fn decoder(file: &[u8]) -> Decoder<Cursor<&[u8]>> {
        Decoder::new(Cursor::new(file))
            .unwrap()
            .with_limits(Limits::unlimited())
    }

    /// What the `tiff` crate reads: every layout here but LZW tiles that the right edge cuts, where it misses the end code.
    fn read(file: &[u8]) -> DecodingResult {
        decoder(file).read_image().unwrap()
    }

    fn kinds() -> impl Strategy<Value = (Channels, Compression, Offsets)> {
        (
            prop::sample::select(vec![
                Channels::Gray,
                Channels::GrayAlpha,
                Channels::Rgb,
                Channels::RgbAlpha,
            ]),
            prop::sample::select(vec![
                Compression::None,
                Compression::Lzw,
                Compression::Deflate,
            ]),
            prop::sample::select(vec![Offsets::Narrow, Offsets::Wide]),
        )
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

        /// Outside reader: the `tiff` crate.
        #[test]
        fn samples_come_back(
            (channels, compression, offsets) in kinds(),
            width in prop::sample::select(vec![1_u32, 3, 255, 256, 257]),
            height in prop::sample::select(vec![1_u32, 16, 256, 258]),
            seed: u32,
        ) {
            let width = if compression == Compression::Lzw { 256 } else { width };
            let of = |depth| image(width, height, channels, depth, compression);
            let codes = noise(of(Depth::U8).samples_in(height) as usize, seed);
            let u8s: Vec<u8> = codes.iter().map(|code| (code >> 24) as u8).collect();
            let file = written(&of(Depth::U8), Codes::U8(&u8s), offsets);
            prop_assert!(matches!(read(&file), DecodingResult::U8(back) if back == u8s));
            let u16s: Vec<u16> = codes.iter().map(|code| (code >> 16) as u16).collect();
            let file = written(&of(Depth::U16), Codes::U16(&u16s), offsets);
            prop_assert!(matches!(read(&file), DecodingResult::U16(back) if back == u16s));
            let f32s: Vec<f32> = codes.iter().map(|&code| code as i32 as f32 / 65536.0).collect();
            let file = written(&of(Depth::F32), Codes::F32(&f32s), offsets);
            prop_assert!(matches!(read(&file), DecodingResult::F32(back) if back == f32s));
        }
    }

    /// Field types: TIFF 6.0 and, for the profile, ICC.1:2022 B.3; read by the `tiff` crate.
    #[test]
    fn tags_are_typed_and_in_order() {
        let mut image = image(
            300,
            20,
            Channels::RgbAlpha,
            Depth::U16,
            Compression::Deflate,
        );
        image.icc = (0..131).collect();
        image.ppi = 266.7;
        image.words.title = Some("Tinte, schwarz (Füller)".to_string());
        image.words.rights = Some("©\0 2026 Studio Example".to_string());
        image.words.date = super::super::Moment::of_unix(1_000_000_000);
        let samples = vec![7; 300 * 20 * 4];
        for offsets in [Offsets::Narrow, Offsets::Wide] {
            let file = written(&image, Codes::U16(&samples), offsets);
            let mut decoder = decoder(&file);
            assert_eq!(decoder.dimensions().unwrap(), (300, 20));
            assert_eq!(decoder.chunk_dimensions(), (256, 256));
            assert_eq!(decoder.get_tag_u8_vec(Tag::IccProfile).unwrap(), image.icc);
            assert_eq!(decoder.get_tag_u16_vec(Tag::ExtraSamples).unwrap(), [2]);
            assert_eq!(
                decoder.get_tag_u32_vec(Tag::XResolution).unwrap(),
                [266_700, 1000]
            );
            assert_eq!(
                decoder.get_tag_ascii_string(Tag::ImageDescription).unwrap(),
                "Tinte, schwarz (Füller)"
            );
            assert_eq!(
                decoder.get_tag_ascii_string(Tag::Copyright).unwrap(),
                "© 2026 Studio Example"
            );
            assert_eq!(
                decoder.get_tag_ascii_string(Tag::Software).unwrap(),
                "Platewright"
            );
            assert_eq!(
                decoder.get_tag_ascii_string(Tag::DateTime).unwrap(),
                "2001:09:09 01:46:40"
            );
            let packet = decoder.get_tag_u8_vec(Tag::Unknown(700)).unwrap();
            assert_eq!(packet, xmp::packet(&image.words).unwrap().into_bytes());
            let (kinds, tags) = entries(&file, offsets);
            assert!(tags.is_sorted() && !tags.contains(&315));
            assert_eq!(
                kinds[tags.iter().position(|&tag| tag == 34675).unwrap()],
                UNDEFINED
            );
        }
    }

    /// The types and tags of the only table, read from the bytes.
    fn entries(file: &[u8], offsets: Offsets) -> (Vec<u16>, Vec<u16>) {
        let number = |at: usize, bytes: usize| {
            file[at..at + bytes]
                .iter()
                .rev()
                .fold(0, |number, &byte| number << 8 | usize::from(byte))
        };
        let (place, head, entry) = match offsets {
            Offsets::Narrow => (number(4, 4), 2, 12),
            Offsets::Wide => (number(8, 8), 8, 20),
        };
        assert_eq!(place % 8, 0);
        let starts = (0..number(place, head)).map(|k| place + head + entry * k);
        starts
            .map(|at| (number(at + 2, 2) as u16, number(at, 2) as u16))
            .unzip()
    }

    /// 32-bit offsets end at 2^32 (TIFF 6.0, section 2); what a tile packs to plays no part.
    #[test]
    fn offsets_widen_with_the_unpacked_size() {
        let of =
            |side, compression| image(side, side, Channels::Rgb, Depth::U16, compression).offsets();
        // 104 x 104 tiles of 393,216 bytes are 4,253,024,256 of 4,294,967,296; 105 x 105 are 4,335,206,400.
        assert_eq!(of(104 * TILE, Compression::None), Offsets::Narrow);
        assert_eq!(of(105 * TILE, Compression::None), Offsets::Wide);
        // Noise grows under LZW, so it must widen earlier.
        assert_eq!(of(84 * TILE, Compression::Lzw), Offsets::Narrow);
        assert_eq!(of(104 * TILE, Compression::Lzw), Offsets::Wide);
        assert_eq!(of(102 * TILE, Compression::Deflate), Offsets::Narrow);
        assert_eq!(of(i32::MAX as u32, Compression::Deflate), Offsets::Wide);
    }

    /// Keeps only what is written from `start` on.
    struct Tail {
        start: u64,
        position: u64,
        kept: Vec<u8>,
    }

    impl Write for Tail {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            if self.position >= self.start {
                self.kept.extend_from_slice(bytes);
            }
            self.position += bytes.len() as u64;
            Ok(bytes.len())
        }

        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    impl Seek for Tail {
        fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
            if let SeekFrom::Start(position) = to {
                self.position = position;
            }
            Ok(self.position)
        }
    }

    /// 33,000 tiles of 128 KiB: their places pass 4 GiB, and the table says so in 64 bits.
    #[test]
    fn places_beyond_4_gib_are_whole() {
        let image = image(
            33_000 * TILE,
            TILE,
            Channels::Gray,
            Depth::U16,
            Compression::None,
        );
        let (tiles, bytes) = (image.tile_count(), image.tile_bytes() as u64);
        let start = 16 + tiles * bytes;
        let sink = Tail {
            start,
            position: 0,
            kept: Vec::new(),
        };
        let tile = vec![0; bytes as usize];
        let mut writer = TiffWriter::new(sink, image).unwrap();
        for _ in 0..tiles {
            writer.push(&tile).unwrap();
        }
        let tail = writer.finish().unwrap().kept;
        assert!(start > u64::from(u32::MAX) + bytes);
        let places: Vec<u8> = (0..tiles)
            .flat_map(|k| (16 + k * bytes).to_le_bytes())
            .collect();
        assert!(tail.windows(places.len()).any(|window| window == places));
    }

    #[test]
    fn missing_and_surplus_tiles_are_refused() {
        let image = image(300, 20, Channels::Gray, Depth::U8, Compression::None);
        let tile = image.encoded_tile(Codes::U8(&[9; 256 * 20]), 0);
        let mut writer = TiffWriter::new(Cursor::new(Vec::new()), image.clone()).unwrap();
        writer.push(&tile).unwrap();
        let short = TiffWriter::new(Cursor::new(Vec::new()), image.clone()).unwrap();
        insta::assert_snapshot!(short.finish().unwrap_err(), @"0 tiles were given where 2 are needed");
        writer.push(&tile).unwrap();
        insta::assert_snapshot!(writer.push(&tile).unwrap_err(), @"3 tiles were given where 2 are needed");
        let huge = Image {
            width: 1 << 30,
            height: 1 << 30,
            ..image
        };
        insta::assert_snapshot!(TiffWriter::new(Cursor::new(Vec::new()), huge).unwrap_err(), @"the picture needs 17592186044416 tiles; at most 16777216 are written");
    }
}
