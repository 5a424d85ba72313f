//! The questions, what is assumed without an answer, and the figures behind both.

use crate::hydraulics::wave_speed::Material;
use crate::starters::StarterKind;
use crate::units::Want;
use std::collections::BTreeMap;

/// A question of `init`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Question {
    /// Key (`static_head`), as in `key=value`.
    pub key: &'static str,
    /// The question.
    pub text: &'static str,
    /// Taken when there is no answer.
    pub assumed: &'static str,
    /// Asked on a terminal; the rest is taken from flags only.
    pub asked: bool,
}

const fn ask(key: &'static str, text: &'static str, assumed: &'static str) -> Question {
    Question { key, text, assumed, asked: true }
}

const fn flag(key: &'static str, text: &'static str, assumed: &'static str) -> Question {
    Question { key, text, assumed, asked: false }
}

const QUESTIONS: &[Question] = &[
    ask("id", "Short name of the rig (lower-case letters, digits, -)", "my-bench"),
    ask("static_head", "Height from the suction level up to the delivery level", "8 m"),
    ask("suction_lift", "Height of the pump above the suction level (negative: flooded suction)", "1.5 m"),
    ask("length", "Length of the delivery line", "40 m"),
    ask("bore", "Bore of the delivery line", "65 mm"),
    ask(
        "material",
        "Material of the delivery line (steel, ductile-iron, pvc, hdpe, lay-flat-hose; any other word lists all)",
        "steel",
    ),
    ask("flow", "Rated flow of the pump", "27 m3/h"),
    ask("head", "Rated head of the pump", "16 m"),
    ask("motor_power", "Rated power of the motor", "4 kW"),
    ask("starters", "Starters, of contactor, soft, drive (with commas between)", "contactor, soft, drive"),
    flag("temperature", "Water temperature", "15 degC"),
    flag("poles", "Poles of the motor", "4"),
    flag("frequency", "Supply frequency", "50 Hz"),
    flag("modbus", "Address of the Modbus TCP link", "127.0.0.1:5020"),
    flag("samples", "Address of the sample stream", "127.0.0.1:5021"),
];

/// An answer that cannot be used.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum AnswerError {
    /// No such question.
    #[error("{key}: no such question; there are {known}")]
    UnknownKey {
        /// As given.
        key: String,
        /// All keys.
        known: String,
    },
    /// Not usable.
    #[error("{key} = {found}; allowed {allowed}")]
    Unusable {
        /// Key.
        key: String,
        /// Found.
        found: String,
        /// Allowed.
        allowed: String,
    },
}

/// Answers so far; starts with none.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct InitAnswers {
    given: BTreeMap<&'static str, String>,
}

impl InitAnswers {
    /// Every question, those to ask on a terminal first.
    pub fn questions() -> &'static [Question] {
        QUESTIONS
    }

    /// Takes an answer as typed; blanks around it are dropped, an empty one leaves the assumption.
    ///
    /// Errors: an unknown key, or a text that is not allowed; nothing changes then.
    pub fn set(&mut self, key: &str, answer: &str) -> Result<(), AnswerError> {
        let question =
            QUESTIONS.iter().find(|question| question.key == key).ok_or_else(|| AnswerError::UnknownKey {
                key: key.to_owned(),
                known: QUESTIONS.iter().map(|question| question.key).collect::<Vec<_>>().join(", "),
            })?;
        let answer = answer.trim();
        if answer.is_empty() {
            return Ok(());
        }
        check(question.key, answer).map_err(|(found, allowed)| AnswerError::Unusable {
            key: key.to_owned(),
            found,
            allowed,
        })?;
        self.given.insert(question.key, answer.to_owned());
        Ok(())
    }

    /// The answer, or what is assumed; `true`: assumed.
    fn answer(&self, key: &str) -> (String, bool) {
        let assumed = || QUESTIONS.iter().find(|question| question.key == key).map_or("", |question| question.assumed);
        self.given.get(key).map_or_else(|| (assumed().to_owned(), true), |answer| (answer.clone(), false))
    }

    pub(super) fn figures(&self) -> Figures {
        let number = |key: &str| {
            let (text, assumed) = self.answer(key);
            let value = want(key).and_then(|want| want.read(&text).ok()).unwrap_or(f64::NAN);
            Answer { text, value, assumed }
        };
        let words = |key: &str| self.answer(key).0;
        let (starters, _) = self.answer("starters");
        let (material, _) = self.answer("material");
        Figures {
            id: words("id"),
            static_head: number("static_head"),
            suction_lift: number("suction_lift"),
            length: number("length"),
            bore: number("bore"),
            material: Material::from_name(&material).unwrap_or(Material::Steel),
            flow: number("flow"),
            head: number("head"),
            motor_power: number("motor_power"),
            starters: starter_kinds(&starters).unwrap_or_default(),
            temperature: number("temperature"),
            poles: words("poles").parse().unwrap_or(4),
            frequency: number("frequency"),
            modbus: words("modbus"),
            samples: words("samples"),
        }
    }
}

/// A quantity as answered.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Answer {
    /// As typed.
    pub text: String,
    /// Base unit.
    pub value: f64,
    /// Nobody answered.
    pub assumed: bool,
}

/// All answers, read.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Figures {
    pub id: String,
    pub static_head: Answer,
    pub suction_lift: Answer,
    pub length: Answer,
    pub bore: Answer,
    pub material: Material,
    pub flow: Answer,
    pub head: Answer,
    pub motor_power: Answer,
    pub starters: Vec<StarterKind>,
    pub temperature: Answer,
    pub poles: u32,
    pub frequency: Answer,
    pub modbus: String,
    pub samples: String,
}

fn want(key: &str) -> Option<Want> {
    Some(match key {
        "static_head" => Want::ELEVATION.between(0.0, 500.0),
        "suction_lift" => Want::ELEVATION.between(-50.0, 9.0),
        "length" => Want::LENGTH.between(0.5, 100e3),
        "bore" => Want::LENGTH.between(5e-3, 2.0),
        "flow" => Want::FLOW.between(1e-5, 10.0),
        "head" => Want::HEAD.between(1.0, 500.0),
        "motor_power" => Want::POWER.between(50.0, 1e6),
        "temperature" => Want::TEMPERATURE.between(0.0, 60.0),
        "frequency" => Want::FREQUENCY.between(20.0, 120.0),
        _ => return None,
    })
}

fn check(key: &str, answer: &str) -> Result<(), (String, String)> {
    if let Some(want) = want(key) {
        return want.read(answer).map(|_| ()).map_err(|misfit| (misfit.found, misfit.allowed));
    }
    let (fits, allowed) = match key {
        "id" => (is_id(answer), "up to 40 lower-case letters, digits, - and _".to_owned()),
        "material" => (Material::from_name(answer).is_some(), material_names()),
        "starters" => (starter_kinds(answer).is_some(), "contactor, soft, drive, each at most once".to_owned()),
        "poles" => (matches!(answer, "2" | "4" | "6" | "8"), "2, 4, 6 or 8".to_owned()),
        _ => (is_address(answer), "host:port, such as 192.168.1.10:502".to_owned()),
    };
    if fits { Ok(()) } else { Err((format!("{answer:?}"), allowed)) }
}

fn is_id(answer: &str) -> bool {
    answer.len() <= 40 && answer.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-' || c == '_')
}

fn is_address(answer: &str) -> bool {
    let plain = |host: &str| !host.is_empty() && !host.contains(['"', '\\', ' ']) && !host.contains(char::is_control);
    answer.rsplit_once(':').is_some_and(|(host, port)| plain(host) && port.parse::<u16>().is_ok())
}

fn material_names() -> String {
    Material::ALL.iter().map(|material| material.name()).collect::<Vec<_>>().join(", ")
}

/// Word and kind of every starter that `init` can write.
pub(super) const STARTERS: &[(&str, StarterKind)] = &[
    ("contactor", StarterKind::AcrossTheLine),
    ("soft", StarterKind::SoftStarter),
    ("drive", StarterKind::VariableSpeed),
];

fn starter_kinds(answer: &str) -> Option<Vec<StarterKind>> {
    let mut kinds = Vec::new();
    for word in answer.split(',').map(str::trim) {
        let kind = STARTERS.iter().find(|(name, _)| *name == word)?.1;
        if kinds.contains(&kind) {
            return None;
        }
        kinds.push(kind);
    }
    Some(kinds)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn law_every_assumed_value_would_be_accepted_as_an_answer() {
        for question in QUESTIONS {
            assert_eq!(InitAnswers::default().set(question.key, question.assumed), Ok(()), "{}", question.key);
        }
        assert_eq!(QUESTIONS.iter().filter(|question| question.asked).count(), 10);
    }

    #[test]
    fn rejects_answers_with_what_is_allowed() {
        let mut answers = InitAnswers::default();
        let long = answers.set("length", "40 kg/m3").unwrap_err().to_string();
        assert!(long.starts_with("length = \"40 kg/m3\", a density; allowed a length"), "{long}");
        assert!(answers.set("starters", "drive, drive").is_err());
        assert!(answers.set("modbus", "here").is_err());
        assert!(answers.set("colour", "blue").unwrap_err().to_string().contains("no such question"));
        assert_eq!(answers, InitAnswers::default());
    }
}
