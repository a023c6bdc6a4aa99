/** The file as it is shown: read only, so no more is known of TOML than where a comment begins. */

/** Where a line's comment begins; its length where it has none. A "#" within quotes begins none. */
export function commentAt(line: string): number {
  let quote = "";
  for (let i = 0; i < line.length; i++) {
    const c = line[i] ?? "";
    if (quote === "" && c === "#") return i;
    if (quote === '"' && c === "\\") i++;
    else if (c === '"' || c === "'") quote = quote === "" ? c : quote === c ? "" : quote;
  }
  return line.length;
}
