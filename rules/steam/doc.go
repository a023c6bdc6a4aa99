// Package steam gives the properties of water and steam by the IAPWS Industrial
// Formulation 1997 (IAPWS R7-97(2012)), regions 1, 2 and 4, and the standard
// atmosphere of ISO 2533 below 11 km.
package steam
