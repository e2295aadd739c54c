//! Trains a dictionary for packed lines: `train_dictionary [BYTES [FILE]]`. Says what lines it was not made
//! from would take with it; writes it only where no file is, for a dictionary that is in use is never changed.

#![allow(clippy::print_stdout, reason = "a tool run from a terminal")]

use bolebook_tests::dictionary::{BYTES, others, train};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let bytes = words.first().map_or(Ok(BYTES), |word| word.parse())?;
    let made = train(bytes);
    for (name, lines) in others() {
        let text: usize = lines.iter().map(String::len).sum();
        for level in [1, 3, 6] {
            let mut packer = zstd::bulk::Compressor::with_dictionary(level, &made)?;
            let packed = lines.iter().map(|line| Ok(packer.compress(line.as_bytes())?.len()));
            let packed = packed.sum::<std::io::Result<usize>>()?;
            println!(
                "{name}: {} lines, {text} bytes, level {level}: {packed} ({:.1} times less)",
                lines.len(),
                text as f64 / packed as f64
            );
        }
    }
    if let Some(path) = words.get(1) {
        let mut file = std::fs::File::create_new(path)?;
        std::io::Write::write_all(&mut file, &made)?;
        println!("{} bytes, number {}", made.len(), bolebook_tests::dictionary::NUMBER);
    }
    Ok(())
}
