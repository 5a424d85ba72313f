//! Many viewers of one run: nothing of the recording may be lost for them, slow ones are moved to the newest and told so.

use crate::campaign;
use crate::stand::bench::Bench;
use crate::stand::program::run;
use crate::stand::sequences::Cycle;
use futures_util::{SinkExt, StreamExt};
use rustix::process::Pid;
use serde_json::Value;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, AtomicU64, Ordering::SeqCst};
use std::time::Duration;
use tokio_tungstenite::tungstenite::Message;

/// Viewers, and seconds that they look, in full.
const VIEWERS: u32 = 200;
const SECONDS: u32 = 60;
/// Most of one core that one viewer may cost.
const MOST_SHARE: f64 = 0.02;

/// What one viewer saw.
#[derive(Debug, Default)]
struct Sight {
    frames: u64,
    moved: u64,
    holes: u64,
    reads: u64,
}

/// Number of a frame, first interval, intervals, and whether it begins afresh.
fn head(frame: &[u8]) -> (u32, u32, u32, bool) {
    let word = |at: usize| u32::from_le_bytes(frame[at..at + 4].try_into().unwrap());
    (word(4), word(8), word(12), frame[1] & 1 == 1)
}

/// Looks until told to end.
async fn look(address: String, width: u32, end: Arc<AtomicU32>, seen: Arc<AtomicU64>) -> Sight {
    let url = format!("ws://{address}/v0/view?width={width}&window=24");
    let (mut socket, _) = tokio_tungstenite::connect_async(url).await.unwrap();
    let (mut sight, mut next) = (Sight::default(), None);
    while end.load(SeqCst) == 0 {
        let message =
            tokio::time::timeout(crate::stand::DEADLINE, socket.next()).await.expect("silent").unwrap().unwrap();
        sight.reads += 1;
        match message {
            Message::Binary(frame) => {
                let (number, first, intervals, afresh) = head(&frame);
                if !afresh && next.is_some_and(|next| next != first) {
                    sight.holes += 1;
                }
                next = Some(first + intervals);
                sight.frames += 1;
                seen.fetch_add(1, SeqCst);
                socket.send(Message::text(format!("{{\"seen\":{number}}}"))).await.unwrap();
            }
            Message::Text(text) if text.starts_with("{\"type\":\"moved\"") => sight.moved += 1,
            _ => {}
        }
    }
    sight
}

/// Processor time of a process, s.
fn processor_s(pid: Pid) -> f64 {
    let stat = std::fs::read_to_string(format!("/proc/{}/stat", pid.as_raw_nonzero())).unwrap();
    let (_, rest) = stat.rsplit_once(')').unwrap();
    let ticks: Vec<f64> = rest.split_whitespace().skip(11).take(2).map(|word| word.parse().unwrap()).collect();
    (ticks[0] + ticks[1]) / rustix::param::clock_ticks_per_second() as f64
}

#[test]
fn campaign_viewers_lose_nothing_of_the_recording() {
    let (viewers, seconds) = (campaign::count(VIEWERS), campaign::count(SECONDS).max(4));
    let bench = Bench::real_time();
    let (owner, address) = bench.serve();
    let hold = format!("time = \"{} s\"", 2 * seconds + 6);
    let cycle = Cycle { hold: Box::leak(hold.into_boxed_str()), ..Cycle::brief_ramps() };
    let ordered = bench.run(&cycle.text(), "drive");
    bench.witness().wait_on();
    let pid = owner.pid();
    // The run alone, then with everybody looking.
    let before = processor_s(pid);
    std::thread::sleep(Duration::from_secs(u64::from(seconds)));
    let alone_s = processor_s(pid) - before;
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
    let (end, seen) = (Arc::new(AtomicU32::new(0)), Arc::new(AtomicU64::new(0)));
    let (sights, watched_s) = runtime.block_on(async {
        let looking: Vec<_> = (0..viewers)
            .map(|number| {
                tokio::spawn(look(address.clone(), 200 + 10 * (number % 100), Arc::clone(&end), Arc::clone(&seen)))
            })
            .collect();
        let before = processor_s(pid);
        tokio::time::sleep(Duration::from_secs(u64::from(seconds))).await;
        let watched_s = processor_s(pid) - before;
        end.store(1, SeqCst);
        let mut sights = Vec::new();
        for one in looking {
            sights.push(one.await.unwrap());
        }
        (sights, watched_s)
    });
    let ended = ordered.end();
    ended.expect(0);
    let frames: u64 = sights.iter().map(|sight| sight.frames).sum();
    let holes: u64 = sights.iter().map(|sight| sight.holes).sum();
    let moved: u64 = sights.iter().map(|sight| sight.moved).sum();
    let share = (watched_s - alone_s) / f64::from(seconds) / f64::from(viewers);
    println!(
        "{viewers} viewers for {seconds} s: {frames} frames seen, {holes} unsaid holes, {moved} moved to the newest; the daemon \
         took {alone_s:.2} s of processor alone, {watched_s:.2} s watched: {:.3} % of a core a viewer",
        1e2 * share
    );
    assert_eq!(holes, 0, "a viewer missed something and was not told");
    assert!(sights.iter().all(|sight| sight.frames > 10), "a viewer saw next to nothing: {sights:?}");
    assert!(share < MOST_SHARE, "{:.2} % of a core a viewer", 1e2 * share);
    let out = bench.out();
    let listed = run(["list", out.to_str().unwrap(), "--json"]);
    let listed: Value = serde_json::from_str(&listed.expect(0).stdout).unwrap();
    let recording = &listed["recordings"][0];
    println!("recording: {} frames, {} missing", recording["frames"], recording["frames_missing"]);
    assert!(recording["frames"].as_u64().is_some_and(|frames| frames > 0), "{listed}");
    assert_eq!(recording["frames_missing"], 0, "{listed}");
}

/// A viewer that stops taking in is moved to the newest, told how much it missed, and then sees the present.
#[test]
fn moves_a_viewer_that_fell_behind_to_the_newest_and_tells_it() {
    let bench = Bench::real_time();
    let (_owner, address) = bench.serve();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let (mut socket, _) =
            tokio_tungstenite::connect_async(format!("ws://{address}/v0/view?width=400")).await.unwrap();
        let (mut newest, mut frames) = (0, 0);
        // It takes in frames and says of none that it has seen it: a bounded number comes, then none.
        let silent = loop {
            match tokio::time::timeout(crate::stand::DEADLINE, socket.next()).await.unwrap().unwrap().unwrap() {
                Message::Binary(frame) => {
                    newest = head(&frame).0;
                    frames += 1;
                }
                Message::Text(text) if frames >= 40 && text.contains("beat") => break newest,
                _ => assert!(frames < 60, "it is sent more and more"),
            }
        };
        // Long enough that more waits than it is waited for.
        let mut beats = 0;
        while beats < 10 {
            match socket.next().await.unwrap().unwrap() {
                Message::Text(text) if text.contains("beat") => beats += 1,
                Message::Binary(frame) => panic!("frame {} beyond what it has seen", head(&frame).0),
                _ => {}
            }
        }
        socket.send(Message::text(format!("{{\"seen\":{silent}}}"))).await.unwrap();
        let mut told = None;
        loop {
            match socket.next().await.unwrap().unwrap() {
                Message::Text(text) if text.contains("\"moved\"") => {
                    told = serde_json::from_str::<Value>(&text).unwrap()["data"].as_u64();
                }
                Message::Binary(frame) if told.is_some() => {
                    let (_, _, intervals, afresh) = head(&frame);
                    assert!(afresh && intervals > 0, "the past comes afresh");
                    break;
                }
                _ => {}
            }
        }
        assert!(told.is_some_and(|missed| missed > 0), "{told:?}");
    });
}

/// A viewer that asks for nonsense, or sends it, is refused or left.
#[test]
fn rejects_wishes_that_cannot_be_met_and_leaves_who_talks_nonsense() {
    let bench = Bench::real_time();
    let (_owner, address) = bench.serve();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        for wish in [
            "width=0",
            "width=1000000",
            "width=-1",
            "window=0",
            "window=1e9",
            "window=nan",
            "width=x",
            &format!("face={}", "x".repeat(300)),
        ] {
            let answer = tokio_tungstenite::connect_async(format!("ws://{address}/v0/view?{wish}")).await;
            assert!(answer.is_err(), "{wish}");
        }
        let (mut socket, _) = tokio_tungstenite::connect_async(format!("ws://{address}/v0/view")).await.unwrap();
        for number in 0..100 {
            // A frame that was never sent has not been seen.
            if socket.send(Message::text(format!("{{\"seen\":{}}}", 4_000_000_000_u32 - number))).await.is_err() {
                break;
            }
        }
        let gone = async {
            while let Some(Ok(message)) = socket.next().await {
                if matches!(message, Message::Close(_)) {
                    break;
                }
            }
        };
        tokio::time::timeout(crate::stand::DEADLINE, gone).await.expect("the connection goes on");
    });
}
