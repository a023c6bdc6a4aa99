/** What the worker says by itself. All else that comes up on a phone is the daemon's own line. */
export const workerWords = {
  /** In place of a line that came too late to be believed. */
  lateTitle: "A message came too late",
  late: "It does not tell any more how it is now. Open the page and look.",
  /** Where a message cannot be read: a browser wants something shown for each. */
  unread: "Something was sent that this page cannot read. Open the page and look.",
};
