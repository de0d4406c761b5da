//! A mount for tests that never moves.

use super::{Fault, Mount, View};
use std::cell::Cell;
use std::rc::Rc;

/// Says what it is told to say, takes every sync and counts how often it is stopped.
#[derive(Default)]
pub(super) struct Still {
    /// What it says.
    pub view: View,
    /// Where it was told that it points, ICRS degrees.
    pub synced: Vec<[f64; 2]>,
    /// How often it was stopped.
    pub stops: Rc<Cell<u32>>,
}

impl Mount for Still {
    fn view(&mut self) -> Result<View, Fault> {
        Ok(self.view.clone())
    }

    fn track(&mut self) -> Result<(), Fault> {
        Err(Fault::Refused("nothing may move".into()))
    }

    fn sync(&mut self, icrs_deg: [f64; 2]) -> Result<bool, Fault> {
        self.synced.push(icrs_deg);
        Ok(true)
    }

    fn slew(
        &mut self,
        _: [f64; 2],
        _: &mut dyn FnMut(&View) -> Result<(), Fault>,
    ) -> Result<(), Fault> {
        Err(Fault::Refused("nothing may move".into()))
    }

    fn stop(&mut self) -> Result<(), Fault> {
        self.stops.set(self.stops.get() + 1);
        Ok(())
    }
}
