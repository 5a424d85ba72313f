//! The virtual rig as a child process of the same executable. It ends with its standard input, so it cannot outlive us.

use super::failure::Failure;
use crate::rig::model::Rig;
use crate::virtual_rig::Ready;
use std::path::Path;
use std::process::Stdio;
use std::time::Duration;
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader, Lines};
use tokio::process::{Child, ChildStdin, ChildStdout, Command};

/// Wall time for the child to come up; a busy computer may take a while to load it.
const READY_DEADLINE: Duration = Duration::from_secs(30);
/// Wall time for the child to end by itself.
const END_DEADLINE: Duration = Duration::from_secs(5);

/// Longest rest in one order, s of rig time.
const MOST_REST_S: f64 = 3600.0;

/// A running virtual rig.
pub struct VirtualChild {
    child: Child,
    input: Option<ChildStdin>,
    lines: Lines<BufReader<ChildStdout>>,
    /// Where it listens.
    pub ready: Ready,
}

impl VirtualChild {
    /// Start one for `rig` on free ports. Its hidden numbers come from the operating system and are kept nowhere, or by the
    /// child alone in a file, so that it is the same bench the next time.
    pub async fn start(rig: &Path, fast: bool, kept_seed: Option<&Path>) -> Result<Self, Failure> {
        let program = std::env::current_exe().map_err(Failure::internal)?;
        let mut command = Command::new(program);
        command.arg("virtual").arg(rig).args(["--modbus", "127.0.0.1:0", "--samples", "127.0.0.1:0", "--controlled"]);
        if fast {
            command.arg("--fast");
        }
        if let Some(file) = kept_seed {
            command.arg("--kept-seed").arg(file);
        }
        command.stdin(Stdio::piped()).stdout(Stdio::piped()).kill_on_drop(true);
        // A Ctrl-C in the terminal is for us; the virtual rig must live until the plant is stopped.
        command.process_group(0);
        let mut child = command.spawn().map_err(Failure::internal)?;
        let input = child.stdin.take();
        let output = child.stdout.take().ok_or_else(|| Failure::internal(anyhow::anyhow!("child without output")))?;
        let mut lines = BufReader::new(output).lines();
        let line = tokio::time::timeout(READY_DEADLINE, lines.next_line())
            .await
            .map_err(|_| Failure::internal(anyhow::anyhow!("the virtual rig did not come up within 30 s")))?
            .map_err(Failure::internal)?
            .unwrap_or_default();
        let ready = Ready::parse(&line).map_err(Failure::internal)?;
        Ok(Self { child, input, lines, ready })
    }

    /// Put its addresses into the rig that it plays.
    pub fn wire(&self, rig: &mut Rig) {
        for link in &mut rig.links {
            link.address = match self.ready.ports.get(&link.id) {
                Some(port) => port.display().to_string(),
                None => self.ready.modbus.to_string(),
            };
        }
        rig.source.address = self.ready.samples.to_string();
    }

    /// Nobody wants anything of it for so much rig time: what stands still need not be computed.
    pub async fn rest(&mut self, time_s: f64) {
        let line = format!("rest {:.1}s\n", time_s.clamp(0.0, MOST_REST_S));
        if let Some(input) = self.input.as_mut()
            && let Err(error) = input.write_all(line.as_bytes()).await
        {
            tracing::warn!(%error, "the virtual rig takes no control lines");
        }
    }

    /// Close its input and wait for its end.
    pub async fn end(mut self) {
        drop(self.input.take());
        let drain = async { while let Ok(Some(_)) = self.lines.next_line().await {} };
        let _ = tokio::time::timeout(END_DEADLINE, drain).await;
        if tokio::time::timeout(END_DEADLINE, self.child.wait()).await.is_err() {
            let _ = self.child.kill().await;
        }
    }
}
