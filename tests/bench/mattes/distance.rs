//! Exact distances to the nearest marked pixel, and connected parts (lower envelopes of parabolas: Felzenszwalb and
//! Huttenlocher, Theory of Computing 8, 2012).

/// Distance in pixels from every pixel to the nearest one where `marked`; a huge number where there is none.
pub fn to(marked: &[bool], side: usize) -> Vec<f32> {
    const FAR: f32 = 1e12;
    let mut squares: Vec<f32> = marked.iter().map(|&m| if m { 0.0 } else { FAR }).collect();
    let mut line = vec![0.0; side];
    for x in 0..side {
        for y in 0..side {
            line[y] = squares[y * side + x];
        }
        for (y, value) in envelope(&line).into_iter().enumerate() {
            squares[y * side + x] = value;
        }
    }
    for row in squares.chunks_mut(side) {
        let done = envelope(row);
        row.copy_from_slice(&done);
    }
    squares.into_iter().map(f32::sqrt).collect()
}

fn envelope(heights: &[f32]) -> Vec<f32> {
    let n = heights.len();
    let (mut place, mut from) = (vec![0usize; n], vec![0.0f32; n + 1]);
    let mut last = 0;
    from[0] = f32::NEG_INFINITY;
    from[1] = f32::INFINITY;
    let meet = |a: usize, b: usize| {
        let (a2, b2) = ((a * a) as f32, (b * b) as f32);
        ((heights[b] + b2) - (heights[a] + a2)) / (2.0 * (b as f32 - a as f32))
    };
    for q in 1..n {
        let mut s = meet(place[last], q);
        while s <= from[last] {
            last -= 1;
            s = meet(place[last], q);
        }
        last += 1;
        place[last] = q;
        from[last] = s;
        from[last + 1] = f32::INFINITY;
    }
    let mut k = 0;
    (0..n)
        .map(|q| {
            while from[k + 1] < q as f32 {
                k += 1;
            }
            let d = q as f32 - place[k] as f32;
            d * d + heights[place[k]]
        })
        .collect()
}

/// Marked pixels that hang together (by their sides), as lists.
pub fn parts(marked: &[bool], side: usize) -> Vec<Vec<usize>> {
    let mut seen = vec![false; marked.len()];
    let mut parts = Vec::new();
    for start in 0..marked.len() {
        if !marked[start] || seen[start] {
            continue;
        }
        seen[start] = true;
        let (mut part, mut next) = (vec![start], 0);
        while next < part.len() {
            let n = part[next];
            next += 1;
            let (x, y) = (n % side, n / side);
            let around = [
                (x > 0).then(|| n - 1),
                (x + 1 < side).then(|| n + 1),
                (y > 0).then(|| n - side),
                (y + 1 < side).then(|| n + side),
            ];
            for m in around.into_iter().flatten() {
                if marked[m] && !seen[m] {
                    seen[m] = true;
                    part.push(m);
                }
            }
        }
        parts.push(part);
    }
    parts
}
