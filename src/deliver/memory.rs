//! How much memory a whole run takes at most, told before it starts.

use super::code::Coder;
use super::sink::{held, room};
use crate::budget::Account;
use crate::plan::Plan;
use crate::render::{self, Scope, Tiling, View};
use crate::settle::Settled;

/// The program itself with its tables, in bytes: `check` of a small scene on x86-64 Linux.
const PROGRAM: u64 = 6 << 20;

/// What the allocator keeps of blocks that settling gave back: up to 32 MiB in size they don't go back to the system
/// at once (M_MMAP_THRESHOLD in mallopt(3)). Bytes a thread, and at most this part of what was in use: 80 MiB of
/// 425 MiB when a piece is cut out of a 25 megapixel frame on two threads.
const KEPT_BACK: (u64, u64) = (40 << 20, 5);

/// Bytes at the fullest moment: what settling took, or drawing the largest picture with its outputs open.
/// `account` is the one that `settled` was charged to.
pub fn peak_bytes(
    plan: &Plan,
    settled: &Settled,
    tiling: Tiling,
    threads: u64,
    account: &Account,
) -> u64 {
    let drawing = plan
        .pictures
        .iter()
        .enumerate()
        .map(|(index, stack)| {
            let outputs: Vec<_> = plan.outputs.iter().filter(|o| o.picture == index).collect();
            let part = outputs
                .iter()
                .fold(crate::geom::Rect::EMPTY, |all, o| all.united(&o.window));
            let coders: Vec<Coder> = outputs.iter().map(|o| Coder::new(plan, o)).collect();
            let with_codes = coders.iter().any(Coder::keeps_codes);
            let each = || outputs.iter().zip(&coders);
            let waiting: u64 = each().map(|(output, coder)| held(output, coder)).sum();
            // Outputs take a band one after another.
            let taking = each()
                .map(|(output, coder)| room(output, coder) - held(output, coder))
                .max()
                .unwrap_or(0);
            let scope = Scope::new(plan, settled, stack, View::whole(stack.canvas));
            waiting + render::peak_bytes(&scope, part, tiling, with_codes, threads, taking)
        })
        .max()
        .unwrap_or(0);
    let settling = account.peak();
    let kept_back = (KEPT_BACK.0 * threads).min(settling / KEPT_BACK.1);
    PROGRAM + (settling + kept_back).max(account.used() + drawing)
}
