/** Times as people say them, in the shed's own zone. */

const kept = new Map<string, Intl.DateTimeFormat>();

function format(zone: string, name: string, options: Intl.DateTimeFormatOptions): Intl.DateTimeFormat {
  const key = `${zone} ${name}`;
  let f = kept.get(key);
  if (!f) {
    try {
      f = new Intl.DateTimeFormat("en-GB", { ...options, timeZone: zone });
    } catch {
      f = new Intl.DateTimeFormat("en-GB", { ...options, timeZone: "UTC" }); // A zone this browser does not know.
    }
    kept.set(key, f);
  }
  return f;
}

/** "17:03" */
export const clock = (t: number, zone: string): string =>
  format(zone, "clock", { hour: "2-digit", minute: "2-digit", hourCycle: "h23" }).format(t);

/** "16:54:07" */
export const clockSeconds = (t: number, zone: string): string =>
  format(zone, "seconds", { hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23" }).format(t);

/** "Saturday 24 October" */
export const day = (t: number, zone: string): string =>
  format(zone, "day", { weekday: "long", day: "numeric", month: "long" }).format(t).replace(",", "");

/** "24 October", and its year. */
export function dated(t: number, zone: string): { readonly date: string; readonly year: string } {
  const whole = format(zone, "dated", { day: "numeric", month: "long", year: "numeric" }).format(t);
  const cut = whole.lastIndexOf(" ");
  return { date: whole.slice(0, cut), year: whole.slice(cut + 1) };
}

/** "Sat 24 Oct 17:03" */
export const dayClock = (t: number, zone: string): string =>
  `${format(zone, "short", { weekday: "short", day: "numeric", month: "short" }).format(t).replace(",", "")} ${clock(t, zone)}`;

/** "17:03" today, else with its day. */
export const when = (t: number, now: number | null, zone: string): string =>
  now !== null && day(t, zone) === day(now, zone) && Math.abs(t - now) < 86_400_000 ? clock(t, zone) : dayClock(t, zone);

/** The time at which a clock in the zone shows `hour` on a date written as 2031-05-18; NaN where that is none. */
export function onDate(date: string, hour: number, zone: string): number {
  const wall = Date.parse(`${date}T00:00:00Z`) + hour * 3_600_000;
  if (!Number.isFinite(wall)) return NaN;
  const first = wall - offset(wall, zone);
  return wall - offset(first, zone);
}

/** How far the zone is ahead of UTC at `t`, in ms. */
export function offset(t: number, zone: string): number {
  const parts = format(zone, "parts", {
    year: "numeric", month: "numeric", day: "numeric", hour: "numeric", minute: "numeric", second: "numeric", hourCycle: "h23",
  }).formatToParts(t);
  const n = (type: string): number => Number(parts.find((p) => p.type === type)?.value ?? 0);
  const wall = Date.UTC(n("year"), n("month") - 1, n("day"), n("hour"), n("minute"), n("second"));
  return wall - Math.floor(t / 1000) * 1000;
}

/** "40 s", "3 min", "2 h 10 min" */
export function lasting(seconds: number): string {
  const s = Math.max(0, Math.round(seconds));
  if (s < 120) return `${s} s`;
  const min = Math.floor(s / 60);
  if (min < 120) return `${min} min`;
  const h = Math.floor(min / 60);
  if (h >= 48) return `${Math.floor(h / 24)} days`;
  return min % 60 === 0 ? `${h} h` : `${h} h ${min % 60} min`;
}
