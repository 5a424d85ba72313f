//! Large figures: digits of three by five points, two points a character, to be read from across the room.

/// Rows of a large figure.
pub(super) const ROWS: usize = 3;

/// Points of a sign, five rows of three, the leftmost in the highest bit.
fn points(sign: char) -> [u8; 5] {
    match sign {
        '0' => [7, 5, 5, 5, 7],
        '1' => [2, 6, 2, 2, 7],
        '2' => [7, 1, 7, 4, 7],
        '3' => [7, 1, 7, 1, 7],
        '4' => [5, 5, 7, 1, 1],
        '5' => [7, 4, 7, 1, 7],
        '6' => [7, 4, 7, 5, 7],
        '7' => [7, 1, 1, 1, 1],
        '8' => [7, 5, 7, 5, 7],
        '9' => [7, 5, 7, 1, 7],
        '-' => [0, 0, 7, 0, 0],
        '+' => [0, 2, 7, 2, 0],
        '.' => [0, 0, 0, 0, 2],
        _ => [0; 5],
    }
}

/// A number in large signs.
pub(super) fn large(text: &str) -> [String; ROWS] {
    let mut rows: [String; ROWS] = Default::default();
    for sign in text.chars() {
        let of = points(sign);
        let columns: &[u8] = if sign == '.' { &[1] } else { &[2, 1, 0] };
        for (row, line) in rows.iter_mut().enumerate() {
            for column in columns {
                let lit = |at: usize| of.get(at).is_some_and(|bits| bits >> column & 1 == 1);
                line.push(match (lit(2 * row), lit(2 * row + 1)) {
                    (true, true) => '█',
                    (true, false) => '▀',
                    (false, true) => '▄',
                    (false, false) => ' ',
                });
            }
            line.push(' ');
        }
    }
    rows
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn writes_each_digit_otherwise_and_all_rows_as_long() {
        let mut seen = std::collections::BTreeSet::new();
        for digit in '0'..='9' {
            let rows = large(&digit.to_string());
            assert!(rows.iter().all(|row| row.chars().count() == 4), "{rows:?}");
            assert!(seen.insert(rows), "{digit} looks like another digit");
        }
    }
}
