//! Small 8-bit pictures for the eye: sRGB PNGs, row by row.

use super::Fault;
use crate::color::{Encoding, Named, Profile, Space};
use crate::deliver::{Pending, dither};
use crate::frame::write::{Channels, Codes, Compression, Depth, Image, PngWriter, Words};

pub(super) struct Sheet {
    writer: PngWriter<Pending>,
    encoding: Encoding,
}

impl Sheet {
    pub fn new(
        pending: Pending,
        (width, height): (u32, u32),
        space: &Space,
        words: &Words,
    ) -> Result<Sheet, Fault> {
        let profile = Profile::named(Named::Srgb);
        let encoding = Encoding::new(space, &profile);
        let image = Image {
            width,
            height,
            channels: Channels::Rgb,
            depth: Depth::U8,
            compression: Compression::None,
            icc: profile.bytes().to_vec(),
            ppi: 300.0,
            words: words.clone(),
        };
        Ok(Sheet {
            writer: PngWriter::new(pending, image)?,
            encoding,
        })
    }

    /// Linear light to the sheet's codes.
    pub fn tone(&self, rgb: [f32; 3]) -> [u8; 3] {
        self.encoding.unit(rgb).map(dither::rounded)
    }

    /// Whole rows.
    pub fn push(&mut self, rows: &[[u8; 3]]) -> Result<(), Fault> {
        Ok(self.writer.push_rows(Codes::U8(rows.as_flattened()))?)
    }

    pub fn finish(self) -> Result<Pending, Fault> {
        Ok(self.writer.finish()?)
    }
}
