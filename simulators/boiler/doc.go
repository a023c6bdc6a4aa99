// Package boiler is a steam boiler at physics level: water, steam and air in a
// fixed volume, in thermal exchange with its metal and, through that, with a
// fire and the weather.
//
// The state is extensive and therefore conserves by construction: the mass of
// water substance, the mass of air and their joint internal energy. Pressure
// and temperature are found from them at each step, by the flash of IAPWS-IF97
// water in the given volume with air as an ideal gas beside the vapour
// (Dalton's law). So the same few lines give the saturation line of a closed
// boiler, the vacuum of a sealed one, the fall of pressure as steam or water is
// let out, and the drying of a barrel with its plugs out.
//
// What is left out: liquid and vapour share one temperature; the water is not
// stratified; ice does not form (water below freezing is undercooled liquid);
// no gas dissolves.
package boiler
