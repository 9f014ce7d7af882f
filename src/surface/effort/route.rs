//! A way over edges, cleared of steps back that are only noise.

/// A piece of an edge, travelled from one position to another.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Step {
    pub edge: u32,
    pub from_m: f64,
    pub to_m: f64,
}

impl Step {
    pub fn length_m(self) -> f64 {
        (self.to_m - self.from_m).abs()
    }

    fn forward(self) -> bool {
        self.to_m > self.from_m
    }

    fn turned(self) -> Self {
        Self { from_m: self.to_m, to_m: self.from_m, ..self }
    }

    /// The step cut so many metres after its start, as the two parts.
    fn cut(self, after_m: f64) -> (Self, Self) {
        let middle_m = if self.forward() { self.from_m + after_m } else { self.from_m - after_m };
        (Self { to_m: middle_m, ..self }, Self { from_m: middle_m, ..self })
    }
}

/// Shorter steps are rounding.
const LEAST_M: f64 = 1e-6;

/// Out and back over less than the jitter, then on by another way: noise at a junction, or a
/// walk up a short spur.
pub(super) struct Detour<'a> {
    /// From the tip back to the junction, each as it was travelled outward.
    pub steps: &'a [Step],
    /// The edge by which the junction was reached.
    pub before: Option<u32>,
    /// The edge by which it is left; at the end of the route none, and the other way is to have
    /// stayed at the tip.
    pub after: Option<u32>,
}

/// A route under way. A retreat along it of less than `jitter_m` is not believed: going on
/// afterwards on the same way takes it back, and so does going on by another one, unless the
/// fixes speak for the detour.
pub(super) struct Route {
    jitter_m: f64,
    done: Vec<Step>,
    /// The way since the last believed turn.
    ahead: Vec<Step>,
    /// What has been retreated over, from the tip of the route back, each as it was
    /// travelled outward.
    retreated: Vec<Step>,
    retreat_m: f64,
}

impl Route {
    pub fn new(jitter_m: f64) -> Self {
        Self { jitter_m, done: Vec::new(), ahead: Vec::new(), retreated: Vec::new(), retreat_m: 0.0 }
    }

    /// Goes on by a step, which starts where the last one ended. `is_real` judges detours.
    pub fn go(&mut self, mut step: Step, is_real: impl Fn(&Detour) -> bool) {
        while step.length_m() > LEAST_M {
            step = match (self.ahead.last().copied(), self.retreated.last().copied()) {
                (_, Some(back)) if back.edge == step.edge && back.forward() == step.forward() => {
                    self.regain(step, back)
                }
                (Some(last), _) if last.edge == step.edge && last.forward() != step.forward() => {
                    self.retreat(step, last)
                }
                (last, back) => {
                    let before = last.map(|last| last.edge);
                    let detour = Detour { steps: &self.retreated, before, after: Some(step.edge) };
                    if back.is_some() && is_real(&detour) {
                        self.believe_turn();
                    }
                    self.retreated.clear();
                    self.retreat_m = 0.0;
                    push(&mut self.ahead, step);
                    return;
                }
            };
        }
    }

    /// Goes forward again over what was retreated over; returns what is left of the step.
    fn regain(&mut self, step: Step, back: Step) -> Step {
        let shared_m = step.length_m().min(back.length_m());
        let (gained, left) = back.cut(shared_m);
        self.retreated.pop();
        if left.length_m() > LEAST_M {
            self.retreated.push(left);
        }
        push(&mut self.ahead, gained);
        self.retreat_m -= shared_m;
        step.cut(shared_m).1
    }

    /// Goes back over the last piece of the route; returns what is left of the step.
    fn retreat(&mut self, step: Step, last: Step) -> Step {
        let shared_m = step.length_m().min(last.length_m());
        let (kept, lost) = last.cut(last.length_m() - shared_m);
        self.ahead.pop();
        if kept.length_m() > LEAST_M {
            self.ahead.push(kept);
        }
        match self.retreated.last_mut() {
            Some(next) if next.edge == lost.edge && next.forward() == lost.forward() => {
                next.from_m = lost.from_m
            }
            _ => self.retreated.push(lost),
        }
        self.retreat_m += shared_m;
        if self.retreat_m > self.jitter_m {
            self.believe_turn();
        }
        step.cut(shared_m).1
    }

    /// The retreat is real: everything up to the turn is done, and the way ahead is the way
    /// back.
    fn believe_turn(&mut self) {
        self.ahead.drain(..).for_each(|step| push(&mut self.done, step));
        self.retreated.iter().rev().for_each(|&step| push(&mut self.done, step));
        self.ahead.extend(self.retreated.drain(..).map(Step::turned));
        self.retreat_m = 0.0;
    }

    /// The whole route. A retreat at its end is left out as noise, unless it is judged real.
    pub fn finish(mut self, is_real: impl Fn(&Detour) -> bool) -> Vec<Step> {
        let retreat = Detour { steps: &self.retreated, before: None, after: None };
        if !self.retreated.is_empty() && is_real(&retreat) {
            self.believe_turn();
        }
        self.done.append(&mut self.ahead);
        self.done
    }
}

/// Adds a step, joined to the last one where it goes on along the same edge.
fn push(steps: &mut Vec<Step>, step: Step) {
    match steps.last_mut() {
        Some(last)
            if last.edge == step.edge
                && last.forward() == step.forward()
                && (last.to_m - step.from_m).abs() <= LEAST_M =>
        {
            last.to_m = step.to_m;
        }
        _ => steps.push(step),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Positions along edge 0, then steps over other edges.
    fn route(steps: &[(u32, f64, f64)]) -> Vec<(u32, f64, f64)> {
        let mut route = Route::new(12.0);
        steps.iter().for_each(|&(edge, from_m, to_m)| route.go(Step { edge, from_m, to_m }, |_| false));
        route.finish(|_| false).iter().map(|step| (step.edge, step.from_m, step.to_m)).collect()
    }

    #[test]
    fn small_steps_back_are_taken_back() {
        let found =
            route(&[(0, 0.0, 50.0), (0, 50.0, 44.0), (0, 44.0, 70.0), (0, 70.0, 61.0), (0, 61.0, 90.0)]);
        assert_eq!(found, [(0, 0.0, 90.0)]);
    }

    #[test]
    fn a_turn_at_a_dead_end_counts_both_ways() {
        let found = route(&[(0, 0.0, 100.0), (0, 100.0, 95.0), (0, 95.0, 98.0), (0, 98.0, 20.0)]);
        assert_eq!(found, [(0, 0.0, 100.0), (0, 100.0, 20.0)]);
    }

    #[test]
    fn an_overshoot_at_a_junction_is_dropped() {
        // Six metres up edge 1, back, and on along edge 2.
        let found = route(&[(0, 0.0, 100.0), (1, 0.0, 6.0), (1, 6.0, 0.0), (2, 30.0, 0.0)]);
        assert_eq!(found, [(0, 0.0, 100.0), (2, 30.0, 0.0)]);
    }

    #[test]
    fn a_detour_is_kept_where_the_fixes_speak_for_it() {
        let mut route = Route::new(12.0);
        for (edge, from_m, to_m) in
            [(0, 0.0, 100.0), (1, 0.0, 6.0), (1, 6.0, 0.0), (2, 30.0, 0.0), (2, 0.0, 5.0)]
        {
            route.go(Step { edge, from_m, to_m }, |detour| {
                assert_eq!((detour.before, detour.after), (Some(0), Some(2)));
                assert_eq!(detour.steps, [Step { edge: 1, from_m: 0.0, to_m: 6.0 }]);
                true
            });
        }
        let at_end = |detour: &Detour| detour.after.is_none() && detour.steps[0].length_m() == 5.0;
        let found: Vec<_> = route.finish(at_end).iter().map(|step| (step.edge, step.length_m())).collect();
        assert_eq!(found, [(0, 100.0), (1, 6.0), (1, 6.0), (2, 30.0), (2, 5.0)]);
    }

    #[test]
    fn to_and_fro_over_a_node_is_taken_back() {
        let found = route(&[
            (0, 0.0, 100.0),
            (1, 0.0, 4.0),
            (1, 4.0, 0.0),
            (0, 100.0, 97.0),
            (0, 97.0, 100.0),
            (1, 0.0, 60.0),
        ]);
        assert_eq!(found, [(0, 0.0, 100.0), (1, 0.0, 60.0)]);
    }

    #[test]
    fn a_turn_beyond_a_node_counts_every_piece() {
        let found = route(&[(0, 0.0, 100.0), (1, 0.0, 8.0), (1, 8.0, 0.0), (0, 100.0, 50.0)]);
        let length: f64 = found.iter().map(|(_, from_m, to_m)| (to_m - from_m).abs()).sum();
        assert_eq!(length, 108.0 + 58.0, "{found:?}");
    }
}
