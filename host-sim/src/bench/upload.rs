//! A machine file goes to the board.

use controller_core::link::{ToBoard, machine};
use serde::Serialize;

use super::session::Session;
use crate::core_setup::Setup;
use crate::error::{Error, Result};
use crate::machine::Machine;
use crate::output;

/// Bytes sent in one piece.
const PIECE: usize = 128;
/// Most bytes of a machine description.
const MOST: usize = 16 * 1024;

/// A machine ready for a board.
pub struct Description {
    /// The machine.
    pub machine: Machine,
    bytes: Vec<u8>,
}

/// What was uploaded.
#[derive(Debug, Clone, Serialize)]
pub struct Uploaded {
    /// The machine's name.
    pub machine: String,
    /// Bytes of its description.
    pub bytes: usize,
    /// Its digest, hexadecimal, as the board has it.
    pub digest: String,
}

impl Description {
    /// Reads a machine file that the core takes.
    ///
    /// # Errors
    /// What is wrong with it.
    pub fn load(path: &str) -> Result<Description> {
        let machine = Machine::parse(path, &output::read_text(path)?)?;
        let setup = Setup::new(path, &machine)?;
        setup.core()?;
        let mut out = vec![0; MOST];
        let bytes = machine::write(&setup.config(), &mut out).map(<[u8]>::to_vec);
        let bytes = bytes.ok_or_else(|| {
            Error::file(
                path,
                "the machine takes more bytes than the link carries",
                "give fewer nozzles or detectors",
            )
        })?;
        Ok(Description { machine, bytes })
    }

    /// Uploads it, and has the board confirm its digest.
    ///
    /// # Errors
    /// A refusal, with what to do.
    pub fn send(&self, session: &mut Session) -> Result<Uploaded> {
        let what = "the machine";
        let digest = machine::digest(&self.bytes);
        let length = u16::try_from(self.bytes.len())
            .map_err(|_| Error::Internal("a description of 16 KiB has a length".into()))?;
        session.must(what, &ToBoard::MachineBegin { length, digest })?;
        for (bytes, offset) in self.bytes.chunks(PIECE).zip((0..).step_by(PIECE)) {
            session.must(what, &ToBoard::MachinePiece { offset, bytes })?;
        }
        session.must(what, &ToBoard::MachineEnd)?;
        session.new_time();
        session.greet()?;
        let there = session.welcome.machine_digest;
        if there != Some(digest) {
            return Err(Error::board(
                format!("the board took the machine but runs {there:08x?}, not {digest:08x}"),
                "upload again; if it stays so, the board is at fault",
            ));
        }
        Ok(Uploaded {
            machine: self.machine.name.clone(),
            bytes: self.bytes.len(),
            digest: format!("{digest:08x}"),
        })
    }
}

impl Uploaded {
    /// For people.
    pub fn table(&self) -> String {
        format!(
            "uploaded `{}`: {} bytes, digest {}\n",
            self.machine, self.bytes, self.digest
        )
    }
}
