package message

import "ashlamp/rules/telemetry"

// Confirmation is what a person sends to give their word.
type Confirmation struct {
	// Confirm is the confirmation's id, for example "vent-open".
	Confirm string `json:"confirm" minLength:"1" maxLength:"64"`
	// By is who gives it.
	By string `json:"by,omitempty" maxLength:"80"`
}

// Acknowledgement is what a person sends to say that they know of an alarm, or that
// they take it up again.
type Acknowledgement struct {
	// By is who knows of it.
	By string `json:"by,omitempty" maxLength:"80"`
}

// Shelf is what a person sends to put an alarm aside for a time. Exactly one of
// Until and Minutes is set.
type Shelf struct {
	// By is who puts it aside, Why for what reason.
	By  string `json:"by,omitempty"`
	Why string `json:"why"`
	// Until is when it comes back by itself (RFC 3339), Minutes in how many minutes.
	Until   string   `json:"until,omitempty"`
	Minutes *float64 `json:"minutes,omitempty"`
}

// JSONSchemaOneOf lists the forms of a Shelf for the OpenAPI document.
func (Shelf) JSONSchemaOneOf() []any { return []any{ShelfUntil{}, ShelfMinutes{}} }

// ShelfUntil is the [Shelf] with an end.
type ShelfUntil struct {
	By  string `json:"by,omitempty" maxLength:"80"`
	Why string `json:"why" minLength:"1" maxLength:"200"`
	// Until is when it comes back by itself, RFC 3339.
	Until string `json:"until" format:"date-time"`
}

// ShelfMinutes is the [Shelf] with a length.
type ShelfMinutes struct {
	By  string `json:"by,omitempty" maxLength:"80"`
	Why string `json:"why" minLength:"1" maxLength:"200"`
	// Minutes is in how many minutes it comes back by itself.
	Minutes float64 `json:"minutes" exclusiveMinimum:"0" maximum:"525600"`
}

// Word is what a person sends to say that something happens; the words are those
// of a replay line. Exactly one of Disposal, Fire, Node, Repair, Wanted and
// LookedInto is set.
type Word struct {
	// Disposal is "begin" or "end".
	Disposal string `json:"disposal,omitempty"`
	// LayUp may stand beside a disposal's "begin".
	LayUp telemetry.LayUp `json:"lay_up,omitempty"`
	// Fire is "lit".
	Fire string `json:"fire,omitempty"`
	// Node is the id of a node; PutAway then says whether it is put away on
	// purpose (true) or in use again (false).
	Node    string `json:"node,omitempty"`
	PutAway *bool  `json:"put_away,omitempty"`
	// Repair is what was found; Done then says whether it is done (true) or booked
	// (false, or absent).
	Repair string `json:"repair,omitempty"`
	Done   *bool  `json:"done,omitempty"`
	// Wanted is when the engine is next wanted (RFC 3339), or "unknown".
	Wanted string `json:"wanted,omitempty"`
	// LookedInto is true: somebody has looked into the resting boiler, or tested its
	// water.
	LookedInto *bool `json:"looked_into,omitempty"`
	// By is who says it.
	By string `json:"by,omitempty"`
}

// JSONSchemaOneOf lists the forms of a Word for the OpenAPI document.
func (Word) JSONSchemaOneOf() []any {
	return []any{DisposalBegin{}, DisposalEnd{}, FireLit{}, NodePutAway{}, Repair{}, NextWanted{}, LookedInto{}}
}

// Repair is the [Word] that something found is booked for repair, or is done.
type Repair struct {
	// Repair is what was found, in the words by which it was booked.
	Repair string `json:"repair" minLength:"1" maxLength:"200"`
	Done   bool   `json:"done,omitempty"`
	By     string `json:"by,omitempty" maxLength:"80"`
}

// NextWanted is the [Word] that says when the engine is next wanted.
type NextWanted struct {
	// Wanted is a time (RFC 3339), or "unknown" where nobody knows.
	Wanted string `json:"wanted" minLength:"1" maxLength:"64"`
	By     string `json:"by,omitempty" maxLength:"80"`
}

// LookedInto is the [Word] that somebody has looked into the resting boiler, or
// tested its water.
type LookedInto struct {
	LookedInto bool   `json:"looked_into" const:"true"`
	By         string `json:"by,omitempty" maxLength:"80"`
}

// DisposalBegin is the [Word] that a disposal begins.
type DisposalBegin struct {
	Disposal string `json:"disposal" const:"begin"`
	// LayUp is the rest that the disposal leads to.
	LayUp string `json:"lay_up,omitempty" enum:"short,dry,wet"`
	By    string `json:"by,omitempty" maxLength:"80"`
}

// DisposalEnd is the [Word] that the engine is housed.
type DisposalEnd struct {
	Disposal string `json:"disposal" const:"end"`
	By       string `json:"by,omitempty" maxLength:"80"`
}

// FireLit is the [Word] that a fire is lit.
type FireLit struct {
	Fire string `json:"fire" const:"lit"`
	By   string `json:"by,omitempty" maxLength:"80"`
}

// NodePutAway is the [Word] that a node is put away on purpose, or is back in use.
type NodePutAway struct {
	Node    string `json:"node" minLength:"1" maxLength:"64"`
	PutAway bool   `json:"put_away"`
	By      string `json:"by,omitempty" maxLength:"80"`
}

// Problem says what went wrong with a call (RFC 9457 problem details).
type Problem struct {
	// Type is a relative reference that names the kind of problem and stays the
	// same between versions, for example "/problems/unknown-engine".
	Type string `json:"type"`
	// Title is the kind in a few words, the same each time.
	Title string `json:"title"`
	// Status is the HTTP status code.
	Status int `json:"status"`
	// Detail says what is wrong with this call.
	Detail string `json:"detail"`
	// Mend says what to do about it.
	Mend string `json:"mend"`
	// Instance is the path that was called.
	Instance string `json:"instance"`
}

// JSONSchemaOneOf lists the forms of a [Live] message for the OpenAPI document.
func (Live) JSONSchemaOneOf() []any { return []any{LiveSnapshot{}, LiveChange{}, LiveBeat{}} }

// LiveSnapshot is the [Live] message that carries the whole state.
type LiveSnapshot struct {
	N        uint64   `json:"n"`
	Snapshot Snapshot `json:"snapshot"`
}

// LiveChange is the [Live] message that carries a change.
type LiveChange struct {
	N      uint64 `json:"n"`
	Change Change `json:"change"`
}

// LiveBeat is the [Live] message that carries nothing new.
type LiveBeat struct {
	N    uint64 `json:"n"`
	Beat Beat   `json:"beat"`
}
