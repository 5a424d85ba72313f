//! The sample stream.

use super::stand::{CONTACTOR, Drain, Stand};
use super::stream::Packet;
use std::process::Command;
use std::time::Instant;

#[test]
fn streams_rtp_l24_without_a_gap_at_no_more_than_real_time() {
    const PACKETS: usize = 300;
    /// What may be on its way already when the first packet is looked at, s: the plant's slice and one packet.
    const HEAD_START_S: f64 = 0.05;
    let stand = Stand::real_time();
    let mut view = stand.view();
    let begun = Instant::now();
    let packets: Vec<_> = (0..PACKETS).map(|_| view.next().unwrap()).collect();
    let wall_s = begun.elapsed().as_secs_f64();
    assert!(packets[0].marker && packets[1..].iter().all(|packet| !packet.marker), "marker on the first packet");
    let mut frames = 0;
    for pair in packets.windows(2) {
        let (before, after) = (&pair[0], &pair[1]);
        assert_eq!((after.version, after.payload_type), (2, stand.rig.source.payload_type));
        assert_eq!(after.ssrc, before.ssrc);
        assert_eq!(after.sequence, before.sequence.wrapping_add(1));
        let in_packet = u32::try_from(before.frames().len()).unwrap();
        assert_eq!(after.timestamp, before.timestamp.wrapping_add(in_packet), "the RTP clock counts frames");
        assert_eq!(before.payload, before.frames().len() * 8 * 3, "RFC 3190: three bytes a sample, interleaved");
        assert!(before.payload <= 1400);
        frames += in_packet;
    }
    let rig_s = f64::from(frames) / stand.rig.source.rate_hz;
    assert!(rig_s < wall_s + HEAD_START_S, "{rig_s} s of frames in {wall_s} s: real time was overtaken");
}

#[test]
fn starts_every_stream_at_numbers_of_its_own() {
    let stand = Stand::real_time();
    let first = stand.view().next().unwrap();
    let second = stand.view().next().unwrap();
    assert_ne!(first.ssrc, second.ssrc);
    assert_ne!((first.sequence, first.timestamp), (second.sequence, second.timestamp));
}

#[test]
fn shows_a_still_bench_in_si_at_plausible_values_with_noise() {
    let stand = Stand::real_time();
    let mut view = stand.view();
    let packets: Vec<_> = (0..20).map(|_| view.next().unwrap()).collect();
    for channel in &stand.rig.channels {
        let values: Vec<f64> = packets
            .iter()
            .flat_map(|packet| packet.frames().map(|frame| channel.scaling.to_si(frame[channel.input])))
            .collect();
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        let spread = values.iter().map(|value| (value - mean).powi(2)).sum::<f64>().sqrt();
        assert!(mean >= channel.range.0 && mean <= channel.range.1, "{}: mean {mean} outside its range", channel.id);
        assert!(spread > 0.0, "{}: a live sensor is never still", channel.id);
    }
    // Suction: the sump's level stands 2.5 m below the gauge: -2.5 m of water, by hydrostatics, within zero error,
    // level and noise (0.1 m of water).
    let suction = &stand.rig.channels[stand.rig.channels.iter().position(|c| c.id.0 == "p_suction").unwrap()];
    let got_pa = suction.scaling.to_si(packets[0].samples[suction.input]);
    let expected_pa = -2.5 * stand.rig.liquid.density_kg_m3 * stand.rig.liquid.gravity_m_s2;
    let tolerance_pa = 0.1 * stand.rig.liquid.density_kg_m3 * stand.rig.liquid.gravity_m_s2;
    assert!(
        (got_pa - expected_pa).abs() < tolerance_pa,
        "suction at rest: expected {expected_pa} Pa, got {got_pa}, tolerance {tolerance_pa}, hydrostatics"
    );
}

#[test]
fn runs_faster_than_real_time_only_while_a_viewer_takes_the_stream() {
    let stand = Stand::fast();
    let mut bus = stand.bus();
    let scale = ramprig::rig::register_map::Role::TimeScale;
    let drain = Drain::of(&stand);
    bus.wait_until("time scale well above one", |bus| bus.get_si(super::stand::BENCH, scale) > 1.3);
    drop(drain);
    bus.wait_until("time scale near one", |bus| (bus.get_si(super::stand::BENCH, scale) - 1.0).abs() < 0.2);
    bus.start(CONTACTOR);
    bus.beat_until("running without a viewer", |bus| bus.running(CONTACTOR));
}

/// Each packet as a datagram of a capture: what the RTP dissector says of every one.
#[test]
fn agrees_with_tshark_which_finds_nothing_malformed_in_the_stream() {
    const PACKETS: usize = 100;
    let stand = Stand::real_time();
    let mut view = stand.view();
    let packets: Vec<(Vec<u8>, Packet)> = (0..PACKETS).map(|_| view.next_with_bytes().unwrap()).collect();
    let folder = tempfile::tempdir().unwrap();
    let (text, capture) = (folder.path().join("bytes.txt"), folder.path().join("bytes.pcap"));
    let line = |(bytes, _): &(Vec<u8>, Packet)| {
        let hex: Vec<String> = bytes.iter().map(|byte| format!("{byte:02x}")).collect();
        format!("000000 {}\n", hex.join(" "))
    };
    std::fs::write(&text, packets.iter().map(line).collect::<Vec<_>>().join("\n")).unwrap();
    let run_peer = |command: &mut Command| {
        let output = command.output().unwrap_or_else(|error| panic!("{command:?}: {error}; run tests/peers/install"));
        assert!(output.status.success(), "{command:?}: {}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8_lossy(&output.stdout).into_owned()
    };
    run_peer(Command::new("text2pcap").args(["-q", "-u", "40000,5004"]).arg(&text).arg(&capture));
    let fields = |filter: &str| {
        let mut tshark = Command::new("tshark");
        tshark.arg("-r").arg(&capture).args(["-d", "udp.port==5004,rtp", "-Y", filter, "-T", "fields"]);
        for field in ["version", "p_type", "seq", "timestamp", "ssrc", "marker"] {
            tshark.args(["-e", &format!("rtp.{field}")]);
        }
        run_peer(&mut tshark)
    };
    assert_eq!(fields("_ws.malformed || _ws.expert.severity == 8388608"), "", "malformed or in error");
    let expected: Vec<String> = packets
        .iter()
        .map(|(_, packet)| {
            let Packet { version, payload_type, sequence, timestamp, ssrc, marker, .. } = packet;
            format!("{version}\t{payload_type}\t{sequence}\t{timestamp}\t0x{ssrc:08x}\t{}", u8::from(*marker))
        })
        .collect();
    assert_eq!(fields("rtp").lines().collect::<Vec<_>>(), expected);
}
