//! A smooth sheet through what is known: least bending, as a thin plate has it, so that it goes on straight where
//! nothing is known. Small grids only; one thread, so that sums always run in one order.

/// How stiff the sheet is against a wholly known cell.
const STIFF: f64 = 0.3;
/// Rounds of the solver at most, and the share of the first misfit at which it is done.
const ROUNDS: usize = 600;
const DONE: f64 = 1e-6;

/// Values of `known` weight, 0 to 1, row by row in rows of `width`, as the sheet has them everywhere. `start` is a first
/// guess.
pub(super) fn laid(values: &[f64], known: &[f64], width: usize, start: Vec<f64>) -> Vec<f64> {
    let mut sheet = start;
    let mut wanted = vec![0.0; sheet.len()];
    for (wanted, (value, known)) in wanted.iter_mut().zip(values.iter().zip(known)) {
        *wanted = value * known;
    }
    // Conjugate gradients; steps are scaled by what each cell alone answers with.
    let own: Vec<f64> = known.iter().map(|known| known + 40.0 * STIFF).collect();
    let mut left = wanted;
    for (left, bent) in left.iter_mut().zip(answer(&sheet, known, width)) {
        *left -= bent;
    }
    let scaled = |left: &[f64]| -> Vec<f64> { left.iter().zip(&own).map(|(l, o)| l / o).collect() };
    let product = |a: &[f64], b: &[f64]| -> f64 { a.iter().zip(b).map(|(a, b)| a * b).sum() };
    let mut step = scaled(&left);
    let mut size = product(&left, &step);
    let first = size;
    for _ in 0..ROUNDS {
        if size <= DONE * DONE * first || size <= 1e-24 {
            break;
        }
        let bent = answer(&step, known, width);
        let along = size / product(&step, &bent).max(1e-300);
        for ((sheet, left), (step, bent)) in
            (sheet.iter_mut().zip(&mut left)).zip(step.iter().zip(&bent))
        {
            *sheet += along * step;
            *left -= along * bent;
        }
        let next = scaled(&left);
        let now = product(&left, &next);
        let keep = now / size;
        for (step, next) in step.iter_mut().zip(next) {
            *step = next + keep * *step;
        }
        size = now;
    }
    sheet
}

/// What the known cells and the sheet's stiffness answer to `sheet` with.
fn answer(sheet: &[f64], known: &[f64], width: usize) -> Vec<f64> {
    let mut out: Vec<f64> = sheet.iter().zip(known).map(|(s, k)| s * k).collect();
    let height = sheet.len() / width.max(1);
    let bend = |out: &mut [f64], a: usize, b: usize, c: usize| {
        let by = STIFF * (sheet[a] - 2.0 * sheet[b] + sheet[c]);
        out[a] += by;
        out[b] -= 2.0 * by;
        out[c] += by;
    };
    for y in 0..height {
        for x in 0..width {
            let at = y * width + x;
            if x > 0 && x + 1 < width {
                bend(&mut out, at - 1, at, at + 1);
            }
            if y > 0 && y + 1 < height {
                bend(&mut out, at - width, at, at + width);
            }
        }
    }
    for y in 1..height {
        for x in 1..width {
            let at = y * width + x;
            let [a, b, c] = [at - width - 1, at - width, at - 1];
            let by = 2.0 * STIFF * (sheet[a] - sheet[b] - sheet[c] + sheet[at]);
            out[a] += by;
            out[b] -= by;
            out[c] -= by;
            out[at] += by;
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slope_goes_on_over_a_hole_and_a_bump_is_kept() {
        let (width, height) = (40usize, 30usize);
        let slope = |at: usize| 0.01 * (at % width) as f64 - 0.02 * (at / width) as f64;
        let hole = |at: usize| {
            let (x, y) = ((at % width) as f64 - 20.0, (at / width) as f64 - 15.0);
            x * x + y * y < 81.0
        };
        let known: Vec<f64> = (0..width * height)
            .map(|at| if hole(at) { 0.0 } else { 1.0 })
            .collect();
        let values: Vec<f64> = (0..width * height)
            .map(|at| if hole(at) { 9.0 } else { slope(at) })
            .collect();
        let got = laid(&values, &known, width, vec![0.0; width * height]);
        for (at, got) in got.iter().enumerate() {
            assert!((got - slope(at)).abs() < 1e-3, "{at}: {got}");
        }
        let bump = |at: usize| {
            let (x, y) = ((at % width) as f64 - 8.0, (at / width) as f64 - 6.0);
            -0.2 * libm::exp(-(x * x + y * y) / 60.0)
        };
        let values: Vec<f64> = (0..width * height).map(bump).collect();
        let got = laid(&values, &known, width, vec![0.0; width * height]);
        for (at, got) in got.iter().enumerate() {
            assert!((got - bump(at)).abs() < 0.01, "{at}: {got}");
        }
    }

    #[test]
    fn little_or_nothing_known_is_survived() {
        assert!(laid(&[], &[], 0, Vec::new()).is_empty());
        let got = laid(&[0.5; 12], &[0.0; 12], 4, vec![0.0; 12]);
        assert!(got.iter().all(|v| *v == 0.0));
        let mut known = [0.0; 12];
        known[5] = 1.0;
        let got = laid(&[0.5; 12], &known, 4, vec![0.5; 12]);
        assert!(got.iter().all(|v| (v - 0.5).abs() < 1e-6));
    }
}
