// Package chip has chips as their registers show them, from their data sheets:
// what a driver writes and reads byte by byte, with conversions that take their
// time on a simulated clock. The physical inputs are functions, so that a world
// behind them can be as rich as it likes.
//
// Nothing here is shared with the drivers but the thermocouple's own physics.
package chip
