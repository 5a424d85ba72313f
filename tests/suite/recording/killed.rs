//! Processes that end without warning.

use super::made::{CHILD_FILE, block, header, prediction, recorder, start_mark};
use ramprig::clock::{SystemClock, WallClock, sleep_wall};
use std::path::PathBuf;
use std::time::Duration;

/// Frames of a block: 10 ms.
const BLOCK: u64 = 100;

/// Not a test: a program that records until it is killed, and tells on standard error which blocks it handed over.
#[test]
#[ignore = "runs as a child of the tests below"]
fn child_records_until_killed() {
    let Some(path) = std::env::var_os(CHILD_FILE) else { return };
    let (recorder, blocks, clock) = recorder(&PathBuf::from(path), 64).unwrap();
    let mut journal = recorder.journal();
    journal.header(&header()).unwrap();
    journal.prediction(&prediction()).unwrap();
    for number in 0.. {
        let now_ns = SystemClock.now_ns();
        clock.publish_ns(number * 10_000_000);
        blocks.try_send(block(number * BLOCK, BLOCK, 0, now_ns)).expect("room for a block");
        eprintln!("B {number} {now_ns}");
        if number % 20 == 0 {
            journal.mark(&start_mark(number as u32 / 20 + 1)).unwrap();
        }
        sleep_wall(Duration::from_millis(10));
    }
}
