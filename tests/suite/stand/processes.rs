//! Other processes as the operating system shows them.

use rustix::process::{Pid, test_kill_process};
use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;

/// A process, with what it was started with.
#[derive(Debug)]
pub struct Process {
    pid: Pid,
    pub arguments: Vec<String>,
    pub environment: Vec<String>,
}

fn listed(path: PathBuf) -> Vec<String> {
    let bytes = std::fs::read(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let items = bytes.split(|byte| *byte == 0).filter(|item| !item.is_empty());
    items.map(|item| String::from_utf8_lossy(item).into_owned()).collect()
}

impl Process {
    pub fn of(pid: Pid) -> Self {
        let proc = PathBuf::from(format!("/proc/{}", pid.as_raw_nonzero()));
        Self { pid, arguments: listed(proc.join("cmdline")), environment: listed(proc.join("environ")) }
    }

    /// The one child of a process.
    pub fn only_child_of(parent: Pid) -> Self {
        let tasks = std::fs::read_dir(format!("/proc/{}/task", parent.as_raw_nonzero())).unwrap();
        let children: Vec<i32> = tasks
            .flat_map(|task| {
                let text = std::fs::read_to_string(task.unwrap().path().join("children")).unwrap_or_default();
                text.split_whitespace().map(|pid| pid.parse().unwrap()).collect::<Vec<i32>>()
            })
            .collect();
        assert_eq!(children.len(), 1, "children of {parent:?}");
        Self::of(Pid::from_raw(children[0]).unwrap())
    }

    /// Addresses (IPv4) that it listens on, in the order in which it opened them.
    pub fn listeners(&self) -> Vec<SocketAddr> {
        let descriptors = std::fs::read_dir(format!("/proc/{}/fd", self.pid.as_raw_nonzero())).unwrap();
        let mut inodes: Vec<u64> = descriptors
            .filter_map(|entry| {
                let target = std::fs::read_link(entry.unwrap().path()).ok()?;
                target.to_str()?.strip_prefix("socket:[")?.strip_suffix(']')?.parse().ok()
            })
            .collect();
        inodes.sort_unstable();
        let table = std::fs::read_to_string("/proc/net/tcp").unwrap();
        // Columns: number, local address, remote address, state (0A: listening), ..., inode the tenth.
        let listening: Vec<(u64, SocketAddr)> = table
            .lines()
            .skip(1)
            .filter_map(|line| {
                let columns: Vec<&str> = line.split_whitespace().collect();
                let (ip, port) = columns[1].split_once(':')?;
                let ip = Ipv4Addr::from(u32::from_str_radix(ip, 16).ok()?.to_le_bytes());
                let address = SocketAddr::from((ip, u16::from_str_radix(port, 16).ok()?));
                (columns[3] == "0A").then(|| (columns[9].parse().unwrap(), address))
            })
            .collect();
        inodes
            .iter()
            .filter_map(|inode| listening.iter().find(|(found, _)| found == inode).map(|(_, address)| *address))
            .collect()
    }

    pub fn still_runs(&self) -> bool {
        test_kill_process(self.pid).is_ok()
    }
}
