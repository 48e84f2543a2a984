//! Rows of means, and how they are printed.

use crate::score::{COLUMNS, Score, WORST, cell};

pub const LEGEND: &str = "
sad      sum of |matte - truth| / 1000, whole frame, rod and specks included
sad_u mse_u grad_u  sum of differences / 1000, 1000 x mean squared difference, gradient error / 1000, all in the unknown
         band (0.02 < truth < 0.98 and 8 px around, without the rod)
dE dE95  CIEDE2000 against the true composite over three new backgrounds: mean, 95th percentile
rod%     share of the rod beside the piece that is left in the matte (> 0.05)
joint    mean difference within 10 px of where rod and piece meet
far      pixels more than 12 px from the piece and 4 px from the rod above 0.05, a million pixels
hole     mean difference where the set is seen through the piece
core%    share of the piece's inside below 0.9
light    mean difference of the light's ratio on the set
px corner  where a frame lies: error at its middle as a shift, at its worst corner as a similarity, px
ev white%  its exposure in stops, its white; in brackets the worst case of each
sec      laying on and cutting out
limit    the true matte and light, with the frame's own noise";

/// The mean of some cases.
#[derive(Debug)]
pub struct Row {
    name: String,
    scores: Vec<Score>,
}

impl Row {
    pub fn new(name: &str) -> Row {
        Row {
            name: name.to_owned(),
            scores: Vec::new(),
        }
    }

    pub fn add(&mut self, score: &Score) {
        self.scores.push(score.clone());
    }

    fn values(&self, column: usize) -> Vec<f64> {
        self.scores.iter().filter_map(|s| s.0[column]).collect()
    }

    fn mean(&self, column: usize) -> Option<f64> {
        let values = self.values(column);
        (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
    }

    fn worst(&self, column: usize) -> Option<f64> {
        self.values(column).into_iter().reduce(f64::max)
    }
}

pub fn print(level: &str, rows: &[Row]) {
    println!("\nlevel {level}");
    let mut head = format!("{:26} {:>3}", "", "n");
    for (column, name) in COLUMNS.iter().enumerate() {
        let wide = if WORST.contains(&column) { 17 } else { 8 };
        head += &format!(" {name:>wide$}");
    }
    println!("{head}");
    for row in rows.iter().filter(|row| !row.scores.is_empty()) {
        let mut line = format!("{:26} {:3}", row.name, row.scores.len());
        for column in 0..COLUMNS.len() {
            line += &format!(" {}", cell(row.mean(column)));
            if WORST.contains(&column) {
                let worst = cell(row.worst(column));
                line += &format!(" {:>8}", format!("({})", worst.trim()));
            }
        }
        println!("{}", line.trim_end());
    }
}
