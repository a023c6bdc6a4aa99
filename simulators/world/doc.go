// Package world is one engine, its crew, its sensors and the weather, at physics
// level and on a clock of its own.
//
// Nothing in it is a recording: pressures, temperatures and levels follow from
// what the crew does to the boiler ([ashlamp/simulators/boiler]), the fire
// ([ashlamp/simulators/boiler/furnace]) and the tanks. Two worlds made from the
// same engine and the same seed are the same to the last bit.
package world
