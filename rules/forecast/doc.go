// Package forecast tells when a cooling engine will come to its limits: a median and an
// interval that holds four times in five, or why nothing honest can be said.
//
// Three bodies cool as the fire is out: the boiler's water with the metal that it wets
// (the shell, once it is empty), the firebox plates and tubes, and the brick; the
// smokebox follows the tubes. Pressure is forecast through the saturation line from the
// temperature of the water. How quickly each gives its heat to the next and to the air is
// part of what is estimated, with its uncertainty, from the samples as they come: a
// cubature Kalman filter ([belief]). What an engine taught on one evening is what the
// next is forecast by ([Learned]).
//
// What people will do is not forecast. Each forecast names what it takes for granted
// ([Assumption]), and while steam is being used or something else goes on that the heat
// in the engine does not explain, nothing is told.
//
// The interval is that of the belief, widened by what the model itself was found to be
// out by on simulated evenings ([misfit]); how often it holds is told by simulators/skill.
package forecast
