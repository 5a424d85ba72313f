//! A run whose samples come from a child process: it hands the virtual rig's stream on, and complains about it.

use crate::stand::bench::{Bench, rig_path};
use crate::stand::program::{Program, command};
use crate::stand::sequences::Cycle;
use ramprig::recording::read;

#[test]
fn records_what_the_sampling_child_says_on_its_standard_error() {
    let bench = Bench::real_time();
    let port = bench.ready.samples.port();
    let relay = format!("echo 'careful with input 3' >&2; exec 3<>/dev/tcp/127.0.0.1/{port}; exec cat <&3");
    let shipped = std::fs::read_to_string(rig_path()).unwrap();
    let address = "address = \"127.0.0.1:5021\"";
    assert!(shipped.contains(address), "the source of the shipped bench is written otherwise");
    let child = format!("wire = \"command\"\nframing = \"rfc4571\"\ncommand = [\"bash\", \"-c\", \"{relay}\"]");
    let rig = bench.write("child-bench.toml", &shipped.replacen(address, &child, 1));
    let sequence = bench.write("sequence.toml", &Cycle::brief_ramps().text());
    let mut run = command(["run"]);
    run.arg(&rig).arg(&sequence).args(["--starter", "soft", "--json", "--band", "0", "--confirmed-by", "virtual rig"]);
    run.arg("--out").arg(bench.out()).arg("--state-dir").arg(bench.state());
    run.args(["--link", &format!("bench={}", bench.ready.modbus)]);
    let ended = Program::start(&mut run).end();
    ended.expect(0);
    assert!(ended.stderr.contains("careful with input 3"), "at the default level of the log: {}", ended.stderr);
    let recorded = read(&bench.recordings(".h5").pop().unwrap()).unwrap();
    let said: Vec<&str> = recorded.events.iter().map(|event| event.text.as_str()).collect();
    // Said before the run, as a rule.
    let told = |text: &&str| text.starts_with("sampling program") && text.ends_with(": careful with input 3");
    assert!(said.iter().any(told), "{said:?}");
    bench.end();
}
