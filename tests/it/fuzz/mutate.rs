//! Inputs made from inputs: seeded, so that every run tries the same.

/// A generator of numbers (splitmix64: Steele, Lea, Flood, "Fast splittable pseudorandom number generators", 2014).
#[derive(Debug, Clone)]
pub(super) struct Dice(u64);

impl Dice {
    pub(super) fn new(seed: u64) -> Dice {
        Dice(seed)
    }

    pub(super) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A number below `n`; 0 if `n` is 0.
    pub(super) fn below(&mut self, n: usize) -> usize {
        (self.next() % n.max(1) as u64) as usize
    }

    /// True once in `n` times.
    pub(super) fn one_in(&mut self, n: usize) -> bool {
        self.below(n) == 0
    }

    pub(super) fn pick<'a, T>(&mut self, of: &'a [T]) -> &'a T {
        &of[self.below(of.len())]
    }
}

/// Bytes that parsers treat apart from others.
const BYTES: &[u8] = b"\n\r\0\t ,;:.\"'-+eE0159TZ#()[]{}\\/%=_<\x7f\x80\xc3\xe9\xff";

/// Texts that parsers treat apart from others, or should.
const TOKENS: &[&str] = &[
    "NaN",
    "inf",
    "-inf",
    "1e999",
    "-0",
    "1e-400",
    "0x1F",
    "9223372036854775808",
    "18446744073709551616",
    "00000000000000000000000000000000000000001",
    "1.7976931348623157e308",
    "\"\"",
    "\"",
    "null",
    "NODATA",
    "true",
    "2024-02-30T25:61:61Z",
    "1969-12-31T23:59:59Z",
    "9999-12-31T23:59:59Z",
    "2024-01-05T22:33:00+99:99",
    "-9999999-01-01T00:00:00Z",
    "1704493980",
    "253402300800",
    "\r\n",
    "\n\n",
    "\u{feff}",
    "\u{fffd}",
    "\u{202e}",
    "\u{1F697}",
    "../../",
    "=1+1",
    "{\"a\":",
    "[[[[[[[[",
    "]]",
    "\\ud800",
    "7F 01 12",
    "7E8 ",
    "7E8#10",
    "410C",
    "46A2",
    "(0.000000) ",
    "can0",
    "column = ",
    "[columns]",
    "[time]",
    "unit = \"mph\"",
    "%Y",
    "(?<vehicle>",
    "°F",
    ",,,,,,,,",
];

/// `seed` with some of its bytes changed; never longer than `most`.
pub(super) fn mutated(seed: &[u8], others: &[Vec<u8>], dice: &mut Dice, most: usize) -> Vec<u8> {
    let mut bytes = seed.to_vec();
    for _ in 0..1 + dice.below(4) {
        once(&mut bytes, others, dice);
    }
    bytes.truncate(most);
    bytes
}

fn once(bytes: &mut Vec<u8>, others: &[Vec<u8>], dice: &mut Dice) {
    let at = dice.below(bytes.len() + 1);
    let most = if dice.one_in(4) { 400 } else { 8 };
    let end = (at + 1 + dice.below(most)).min(bytes.len());
    match dice.below(12) {
        0 if at < bytes.len() => bytes[at] ^= 1 << dice.below(8),
        1 if at < bytes.len() => bytes[at] = *dice.pick(BYTES),
        2 if at < bytes.len() => bytes[at] = dice.next() as u8,
        3 if at < end => drop(bytes.drain(at..end)),
        4 if at < end => {
            let copy = bytes[at..end].to_vec();
            let to = dice.below(bytes.len() + 1);
            drop(bytes.splice(to..to, copy));
        }
        5 => drop(bytes.splice(at..at, std::iter::repeat_n(*dice.pick(BYTES), 1 + end - at))),
        6 => bytes.truncate(at),
        7 => {
            let other = dice.pick(others);
            let from = dice.below(other.len() + 1);
            bytes.truncate(at);
            bytes.extend_from_slice(&other[from..]);
        }
        8 => swap_lines(bytes, dice),
        9 => number(bytes, at, dice),
        _ => {
            let token = dice.pick(TOKENS).as_bytes().to_vec();
            let to = if dice.one_in(2) { at } else { (at + token.len()).min(bytes.len()) };
            drop(bytes.splice(at..to, token));
        }
    }
}

fn lines(bytes: &[u8]) -> Vec<(usize, usize)> {
    let mut from = 0;
    let mut lines = Vec::new();
    for (i, _) in bytes.iter().enumerate().filter(|(_, b)| **b == b'\n') {
        lines.push((from, i + 1));
        from = i + 1;
    }
    lines
}

fn swap_lines(bytes: &mut Vec<u8>, dice: &mut Dice) {
    let lines = lines(bytes);
    if lines.len() > 1 {
        let (a, b) = (*dice.pick(&lines), *dice.pick(&lines));
        let moved = bytes[a.0..a.1].to_vec();
        if dice.one_in(2) && a != b {
            let (first, second) = if a < b { (a, b) } else { (b, a) };
            let other = bytes[second.0..second.1].to_vec();
            drop(bytes.splice(second.0..second.1, bytes[first.0..first.1].to_vec()));
            drop(bytes.splice(first.0..first.1, other));
        } else {
            drop(bytes.splice(b.0..b.0, moved));
        }
    }
}

/// Puts another number in place of the digits at or behind `at`.
fn number(bytes: &mut Vec<u8>, at: usize, dice: &mut Dice) {
    let Some(from) = (at..bytes.len()).find(|i| bytes[*i].is_ascii_digit()) else { return };
    let to = (from..bytes.len()).find(|i| !bytes[*i].is_ascii_digit()).unwrap_or(bytes.len());
    let value = match dice.below(4) {
        0 => dice.below(10) as u64,
        1 => dice.below(100_000) as u64,
        2 => u64::MAX >> dice.below(64),
        _ => dice.next(),
    };
    drop(bytes.splice(from..to, value.to_string().bytes()));
}
