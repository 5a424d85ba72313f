//! Short sequences, written where they are used: one cycle, no longer than the test needs.

/// One cycle as TOML.
pub struct Cycle {
    /// A question before anything.
    pub confirm: bool,
    pub start: &'static str,
    pub hold: &'static str,
    pub settle: &'static str,
    pub times: u32,
}

impl Default for Cycle {
    /// Through any starter, about three seconds from start to end.
    fn default() -> Self {
        Self { confirm: false, start: "", hold: "time = \"0.5 s\"", settle: "timeout = \"1 s\"", times: 1 }
    }
}

impl Cycle {
    /// The default with settings that make ramps as short as the bench allows.
    pub fn brief_ramps() -> Self {
        Self { start: "ramp_up = \"0.5 s\"\nramp_down = \"0.5 s\"", ..Self::default() }
    }

    pub fn text(&self) -> String {
        let head = "[sequence]\nid = \"short\"\nname = \"Short\"\nabout = \"made for a test\"\n";
        let confirm = if self.confirm { "[[step]]\ndo = \"confirm\"\ntext = \"area clear\"\n" } else { "" };
        let Self { start, hold, settle, times, .. } = self;
        format!(
            "{head}{confirm}[[step]]\ndo = \"line-up\"\nline_up = \"terrace\"\n\
             [[step]]\ndo = \"repeat\"\ntimes = {times}\n\
             [[step.step]]\ndo = \"wait\"\nuntil = [\"shaft-at-rest\", \"duty\"]\ntimeout = \"30 s\"\n\
             [[step.step]]\ndo = \"start\"\n{start}\n\
             [[step.step]]\ndo = \"hold\"\n{hold}\n\
             [[step.step]]\ndo = \"stop\"\n\
             [[step.step]]\ndo = \"settle\"\n{settle}\n"
        )
    }
}
