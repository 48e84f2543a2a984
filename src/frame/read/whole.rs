//! A picture that decodes only whole: done once, on the first request, and kept with the frame.

use super::octets::Disk;
use super::place::Placement;
use super::{Cost, FrameError, jpeg, png};
use crate::budget::{Account, Charge};
use crate::frame::SampleBuffer;
use crate::geom::Rect;
use std::sync::{Arc, Mutex, PoisonError};

/// What a decoder needs to know and what it will need.
#[derive(Debug)]
pub struct Plan {
    /// Stored sides, before orientation.
    pub width: u32,
    pub height: u32,
    pub orientation: u8,
    pub channels: usize,
    pub coding: Coding,
    /// Bytes of the file.
    pub file: u64,
    /// Bytes of all samples, which stay.
    pub samples: u64,
    /// Bytes in use only while decoding.
    pub working: u64,
}

#[derive(Debug)]
pub enum Coding {
    Png(png::Depth),
    Jpeg,
}

#[derive(Debug)]
pub struct Whole {
    disk: Disk,
    plan: Plan,
    decoded: Mutex<Option<Arc<Decoded>>>,
}

#[derive(Debug)]
struct Decoded {
    buffer: SampleBuffer,
    _charge: Charge,
}

impl Whole {
    pub fn new(disk: Disk, plan: Plan) -> Whole {
        Whole {
            disk,
            plan,
            decoded: Mutex::new(None),
        }
    }

    pub fn disk(&self) -> &Disk {
        &self.disk
    }

    /// Samples of `rect`, which lies inside the frame as seen and is not empty.
    pub fn samples(&self, rect: Rect, account: &Account) -> Result<SampleBuffer, FrameError> {
        let decoded = self.decoded(account)?;
        Ok(match &decoded.buffer {
            SampleBuffer::U8(all) => SampleBuffer::U8(self.part(all, rect)),
            SampleBuffer::U16(all) => SampleBuffer::U16(self.part(all, rect)),
            SampleBuffer::U32(all) => SampleBuffer::U32(self.part(all, rect)),
            SampleBuffer::F32(all) => SampleBuffer::F32(self.part(all, rect)),
        })
    }

    pub fn cost(&self) -> Cost {
        Cost {
            read: self.plan.file,
            working: self.plan.working,
            kept: self.plan.samples,
        }
    }

    /// The lock is held while decoding, so that others wait for the one result instead of making their own.
    fn decoded(&self, account: &Account) -> Result<Arc<Decoded>, FrameError> {
        let mut slot = self.decoded.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(decoded) = &*slot {
            return Ok(decoded.clone());
        }
        let charge = account.charge(self.plan.samples, "decoded pictures")?;
        let _working = account.charge(self.plan.working, "pictures being decoded")?;
        let buffer = match &self.plan.coding {
            Coding::Png(depth) => png::decode(&self.disk, &self.plan, *depth)?,
            Coding::Jpeg => jpeg::decode(&self.disk, &self.plan)?,
        };
        let decoded = Arc::new(Decoded {
            buffer,
            _charge: charge,
        });
        *slot = Some(decoded.clone());
        Ok(decoded)
    }

    fn part<T: Copy + Default>(&self, all: &[T], rect: Rect) -> Vec<T> {
        let plan = &self.plan;
        let channels = plan.channels;
        let placement = Placement::new(plan.orientation, plan.width, plan.height, rect, channels);
        let stored = placement.stored();
        let mut out = vec![T::default(); rect.area() as usize * channels];
        for y in stored.y0..stored.y1 {
            let row = y as usize * plan.width as usize;
            let start = (row + stored.x0 as usize) * channels;
            let end = (row + stored.x1 as usize) * channels;
            placement.put(&mut out, stored.x0, y, &all[start..end], None);
        }
        out
    }
}
