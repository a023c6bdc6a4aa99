// Package attack is the fault campaign: thousands of evenings of engines drawn at
// random, with crews and faults drawn at random, judged by the rules as they are,
// and the verdicts held against what is so.
//
// # Who judges whom
//
// The truth is the world's own state ([world.Truth]): pressure, water left, metal,
// fire. It is compared with bounds of this package's own ([Bounds]), wider than the
// rules' limits by a stated slack; nothing that rules computes decides whether rules
// was right. Only two things are asked of the rules: which verdict each step has at
// a moment, and which alarms were raised.
//
// # When a step counts as wrongly proven
//
// A step is wrongly proven where it stands proven and what it promises has not been
// so for longer than [GraceS] (a lamp cannot know of a change before the next
// samples, and a relit fire needs to be seen to rise); plugs-out and everything else
// that rests on pressure alone is given [PlugsGraceS] only. A step that becomes
// proven long after its truth ended is therefore wrong at once. What people say is
// not held against the rules: a crew that says a cock is open when it is shut has
// told a lie, and only what samples bear is compared. Pressure, and water that would
// boil, count always.
//
// # When a step counts as late, or never proven
//
// A step is ready from the later of the last word that it needs and the moment at
// which the truth has passed each limit by the stated uncertainty of its evidence
// ([Bounds]). From then on it has its hold time and [LateS] to become proven.
// One that stays ready for its hold and [NeverS] and never becomes proven counts
// as never. A step that was proven before it was ready has a delay of 0.
//
// # What is drawn
//
// [Draw]: one disposal in ten without a fault, six with one, three with two, of all
// that [world.Faults] knows; engine, climate, instruments within their class and crew
// by [world.Draw]; one engine in twenty keeps its water. The owner's declaration
// ([Spec]) states classes, not errors, and the longest interval of the node. Crews go
// on past a step that stays dark when their patience ends, so that a fault early on
// meets the rest of the evening. A daemon that is killed loses its judge; the next is
// made from the samples and words that were kept, as the daemon does it.
//
// # When an evening ends
//
// Twenty minutes after the engine is housed; or, with a fault, as long after all that
// housing promises has become so in truth (it cannot be promised too early any more),
// but for one in four that is watched until the step is proven or counts as never.
//
// # The same for any number of workers
//
// Disposal k of a seed is drawn from the two numbers alone ([Draw]), shares nothing
// that changes with any other, and its result is added to sums and sorted lists. So
// a report differs between machines in its speed only.
package attack
