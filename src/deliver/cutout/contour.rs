//! A piece's outline as a line that shows on any picture: a light one with a dark one beside it, just outside the
//! piece, so that its own edge stays in sight.

const LIGHT: u8 = 230;
const DARK: u8 = 25;

/// The line's tone at (x, y), if it runs there. `inside` says whether a pixel belongs to the piece.
pub(super) fn tone(x: i32, y: i32, inside: &dyn Fn(i32, i32) -> bool) -> Option<u8> {
    if inside(x, y) {
        return None;
    }
    const BESIDE: [(i32, i32); 4] = [(-1, 0), (1, 0), (0, -1), (0, 1)];
    if BESIDE.iter().any(|(dx, dy)| inside(x + dx, y + dy)) {
        return Some(LIGHT);
    }
    const BEYOND: [(i32, i32); 8] = [
        (-2, 0),
        (2, 0),
        (0, -2),
        (0, 2),
        (-1, -1),
        (1, -1),
        (-1, 1),
        (1, 1),
    ];
    BEYOND
        .iter()
        .any(|(dx, dy)| inside(x + dx, y + dy))
        .then_some(DARK)
}

/// How far a line reaches from the piece, px.
pub(super) const WIDTH: u32 = 2;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_line_lies_outside_light_then_dark() {
        let inside = |x: i32, y: i32| (4..8).contains(&x) && (2..5).contains(&y);
        let row: Vec<Option<u8>> = (0..12).map(|x| tone(x, 3, &inside)).collect();
        let (l, d) = (Some(LIGHT), Some(DARK));
        let none = None;
        assert_eq!(
            row,
            [none, none, d, l, none, none, none, none, l, d, none, none]
        );
        assert_eq!(tone(3, 1, &inside), d, "the corner is closed");
    }
}
