//! Digits five lines high, for one number that must be read at a glance.

/// Lines of a digit.
pub(super) const LINES: u16 = 5;

/// Cells of every sign, one bit a cell, the leftmost the highest.
fn rows(sign: char) -> Option<[u8; 5]> {
    Some(match sign {
        '0' => [0b111, 0b101, 0b101, 0b101, 0b111],
        '1' => [0b010, 0b110, 0b010, 0b010, 0b111],
        '2' => [0b111, 0b001, 0b111, 0b100, 0b111],
        '3' => [0b111, 0b001, 0b111, 0b001, 0b111],
        '4' => [0b101, 0b101, 0b111, 0b001, 0b001],
        '5' => [0b111, 0b100, 0b111, 0b001, 0b111],
        '6' => [0b111, 0b100, 0b111, 0b101, 0b111],
        '7' => [0b111, 0b001, 0b010, 0b010, 0b010],
        '8' => [0b111, 0b101, 0b111, 0b101, 0b111],
        '9' => [0b111, 0b101, 0b111, 0b001, 0b111],
        '-' => [0b000, 0b000, 0b111, 0b000, 0b000],
        '.' => [0b000, 0b000, 0b000, 0b000, 0b010],
        _ => return None,
    })
}

/// A number in large digits; each cell is two columns wide, so that it is about as wide as high.
pub(super) fn large(text: &str) -> Vec<String> {
    let mut lines = vec![String::new(); usize::from(LINES)];
    for sign in text.chars() {
        let Some(rows) = rows(sign) else { continue };
        // A point needs no room beside it.
        let bits: &[u8] = if sign == '.' { &[1] } else { &[2, 1, 0] };
        for (line, row) in lines.iter_mut().zip(rows) {
            for bit in bits {
                line.push_str(if row >> bit & 1 == 1 { "██" } else { "  " });
            }
            line.push_str("  ");
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_are_large_and_tell_apart() {
        insta::assert_snapshot!(large("-1.28").join("\n"), @r"
                  ██        ██████  ██████  
                ████            ██  ██  ██  
        ██████    ██        ██████  ██████  
                  ██        ██      ██  ██  
                ██████  ██  ██████  ██████
        ");
        let all: std::collections::BTreeSet<Vec<String>> = "0123456789"
            .chars()
            .map(|c| large(&c.to_string()))
            .collect();
        assert_eq!(all.len(), 10);
    }
}
