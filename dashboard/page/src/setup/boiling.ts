/** Why the height of the shed matters: where water boils there. For telling a person alone; the daemon judges by its own. */

/**
 * Pressure of the standard atmosphere in Pa, `m` metres above the sea (ISO 2533:1975, 2.3).
 * From -500 to 11000 m; else NaN.
 */
export const airAt = (m: number): number => (m >= -500 && m <= 11_000 ? 101_325 * (1 - (0.0065 * m) / 288.15) ** (9.80665 / (287.05287 * 0.0065)) : NaN);

/** IAPWS R7-97(2012), table 34. */
const n = [
  0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.1202082470247e5, -0.32325550322333e7,
  0.1491510861353e2, -0.48232657361591e4, 0.40511340542057e6, -0.23855557567849, 0.65017534844798e3,
] as const;

/** Temperature in degree Celsius at which water boils under `pa` Pa, absolute (IAPWS R7-97(2012), equation 31); NaN outside 611.213 Pa to 22.064 MPa. */
export function boilsAt(pa: number): number {
  if (!(pa >= 611.213 && pa <= 22.064e6)) return NaN;
  const b = (pa / 1e6) ** 0.25;
  const e = b * b + n[2] * b + n[5];
  const f = n[0] * b * b + n[3] * b + n[6];
  const g = n[1] * b * b + n[4] * b + n[7];
  const d = (2 * g) / (-f - Math.sqrt(f * f - 4 * e * g));
  return (n[9] + d - Math.sqrt((n[9] + d) ** 2 - 4 * (n[8] + n[9] * d))) / 2 - 273.15;
}

/** What is taken off the standard atmosphere where there is no barometer, in Pa: the deepest weather that is reckoned with. */
export const withoutBarometerPa = 4_000;
