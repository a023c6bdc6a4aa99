// Package message is what goes over the wire to the page and to other programs:
// the one declaration from which the OpenAPI document, and from that the page's
// types, are made.
//
// All times are UTC; all values are in the channel's own SI unit. A page turns
// them into the shed's zone and the person's units.
//
// The struct tags beside json (enum, const, minLength, maxLength) are JSON Schema
// keywords for the OpenAPI document; a field without omitempty is always there.
package message

import (
	"time"

	"ashlamp/rules/telemetry"
	"ashlamp/rules/verdict"
)

// Shed says where the page is.
type Shed struct {
	ID   string `json:"id"`
	Name string `json:"name"`
	// Timezone is an IANA zone name.
	Timezone string `json:"timezone"`
	// People are the names that may be chosen as who confirms.
	People []string `json:"people"`
	// Cautions are what a person is told beside each step, by the step's id.
	Cautions map[string][]string `json:"cautions"`
}

// Engine is what an engine is, apart from how it is now.
type Engine struct {
	ID   string `json:"id"`
	Name string `json:"name"`
	// Tanks is 0, 1 or 2.
	Tanks int `json:"tanks"`
	// WorkingPressure is the boiler's working pressure in pascal, gauge.
	WorkingPressure float64 `json:"working_pressure"`
	// Measured lists the channels that the configuration says are measured.
	Measured []telemetry.Channel `json:"measured"`
	// Marks are the limits that a drawing shows, by the limit's key; absent where
	// the owner has set none. Pressures in pascal, temperatures in degree Celsius.
	Marks map[string]float64 `json:"marks"`
}

// Reading is the newest sample of a channel.
type Reading struct {
	// Value is null where there is no number.
	Value   *float64          `json:"value"`
	Unit    telemetry.Unit    `json:"unit"`
	Quality telemetry.Quality `json:"quality"`
	// Reason says why the quality is not good.
	Reason string    `json:"reason,omitempty"`
	At     time.Time `json:"at"`
	// AgeS is At's age in seconds when the message was made.
	AgeS float64 `json:"age_s"`
	// Stale is true when the age is over the channel's limit.
	Stale bool `json:"stale"`
	// FreshS is that limit in seconds.
	FreshS float64 `json:"fresh_s"`
	// Uncertainty is the expanded uncertainty (coverage factor 2) in the channel's unit.
	Uncertainty float64 `json:"uncertainty"`
}

// Given is a person's word that stands.
type Given struct {
	Confirm string    `json:"confirm"`
	By      string    `json:"by"`
	At      time.Time `json:"at"`
	// Until is when it lapses by time alone; absent where only an event ends it.
	Until *time.Time `json:"until,omitempty"`
}

// Reason is one evidence of a step, as judged now.
type Reason struct {
	Evidence string          `json:"evidence"`
	Title    string          `json:"title"`
	Verdict  verdict.Verdict `json:"verdict"`
	Text     string          `json:"text"`
	// Confirm is the id of the confirmation that this evidence is, or that stands
	// in its place; absent where samples alone tell.
	Confirm string `json:"confirm,omitempty"`
}

// Step is a thing the crew is about to do, as judged now.
type Step struct {
	ID      string          `json:"id"`
	Title   string          `json:"title"`
	Verdict verdict.Verdict `json:"verdict"`
	Because []Reason        `json:"because"`
	// Since is when the verdict became what it is.
	Since time.Time `json:"since"`
	// Done is when the deed was done, as seen or said; absent while it is not.
	Done *time.Time `json:"done,omitempty"`
}

// Ask is something that needs a person: a confirmation, or a word that the
// disposal begins or ends.
type Ask struct {
	// Confirm is the confirmation's id; absent where Say is set.
	Confirm string `json:"confirm,omitempty"`
	// Say is "disposal-begin", "disposal-end" or "fire-lit"; absent where Confirm is set.
	Say string `json:"say,omitempty" enum:"disposal-begin,disposal-end,fire-lit"`
	// Question is put as it would be asked aloud.
	Question string `json:"question"`
	// Step is the step that it is asked for.
	Step string `json:"step"`
	// Now is false where it is to be asked later; Note then says when.
	Now  bool   `json:"now"`
	Note string `json:"note,omitempty"`
}

// Forecast says when something will be reached.
type Forecast struct {
	Forecast string     `json:"forecast"`
	Assuming string     `json:"assuming" enum:"as-is,blown-down"`
	ETA      *time.Time `json:"eta"`
	Lo       *time.Time `json:"lo,omitempty"`
	Hi       *time.Time `json:"hi,omitempty"`
	Text     string     `json:"text,omitempty"`
}

// Alarm is a watch that is not normal.
type Alarm struct {
	// ID is the engine's id, a point, and the watch's.
	ID string `json:"id"`
	// T is since when it is in this state.
	T        time.Time `json:"t"`
	Engine   string    `json:"engine"`
	Watch    string    `json:"watch"`
	State    string    `json:"state" enum:"normal,unacknowledged,acknowledged,returned-unacknowledged,shelved,suppressed,out-of-service"`
	Priority string    `json:"priority" enum:"low,medium,high"`
	// Text says what is the matter, or why it is out of the way.
	Text string `json:"text"`
	// Title is the watch in a few words, Consequence what comes of it if nobody acts,
	// Action what to do, RespondS how long there is for that, in seconds.
	Title       string  `json:"title"`
	Consequence string  `json:"consequence"`
	Action      string  `json:"action"`
	RespondS    float64 `json:"respond_s"`
	// By is who acknowledged it or put it aside; Until is when a shelf ends.
	By    string     `json:"by,omitempty"`
	Until *time.Time `json:"until,omitempty"`
	// Unseen is that it stands, and what raised it cannot be seen now.
	Unseen bool `json:"unseen,omitempty"`
	// Shelvable is for how many seconds it may be put aside at most; 0 not at all.
	Shelvable float64 `json:"shelvable_s"`
}

// Finding is what is the matter with a sensor.
type Finding struct {
	// Channel is empty where it is of a whole node; Node is then "engine" or "shed",
	// after whose channels it carries.
	Channel telemetry.Channel `json:"channel,omitempty"`
	Node    string            `json:"node,omitempty"`
	// Kind is a word such as "frozen".
	Kind  string    `json:"kind"`
	Since time.Time `json:"since"`
	Text  string    `json:"text"`
}

// Bearing is how the alarms of an engine are borne, by the measures of EEMUA 191.
type Bearing struct {
	// Raised is how often an alarm called for a person since the daemon was started,
	// PerTenMin the average over that time, LastTenMin and PeakTenMin the newest and
	// the highest count; Floods how often there were more than ten in ten minutes.
	Raised     int     `json:"raised"`
	PerTenMin  float64 `json:"per_ten_min"`
	LastTenMin int     `json:"last_ten_min"`
	PeakTenMin int     `json:"peak_ten_min"`
	Flood      bool    `json:"flood"`
	Floods     int     `json:"floods"`
	// Chattering are watches raised three times within a minute, Stale those that have
	// stood for a day.
	Chattering []string `json:"chattering"`
	Stale      []string `json:"stale"`
}

// Rest is how an engine rests between its disposals.
type Rest struct {
	// Since is when it was housed; absent while it is at work.
	Since *time.Time `json:"since,omitempty"`
	// Wanted is when it is next wanted; absent where nobody said.
	Wanted *time.Time `json:"wanted,omitempty"`
	// Advised is the lay-up that is advised until then, absent where none is; Advice
	// says why.
	Advised telemetry.LayUp `json:"advised,omitempty"`
	Advice  string          `json:"advice"`
	// WatchedH hours of this rest were watched: DampH of them above 80 %RH at the steel
	// and 0 °C (ISO 9223), CondensingH within the margin of the dew point.
	WatchedH    float64 `json:"watched_h"`
	DampH       float64 `json:"damp_h"`
	CondensingH float64 `json:"condensing_h"`
	// DewC is the dew point of the air about the steel, MarginK how far the coldest
	// steel is above it, AtSteel the relative humidity there in %; absent where not known.
	DewC    *float64 `json:"dew_c,omitempty"`
	MarginK *float64 `json:"margin_k,omitempty"`
	AtSteel *float64 `json:"at_steel,omitempty"`
	// FrostMarginK is how far the shed's air is above the frost limit; absent where not
	// known.
	FrostMarginK *float64 `json:"frost_margin_k,omitempty"`
	// DriesPerH is how fast the open barrel's humidity changes, %RH an hour; DryAt when
	// it comes to the limit if it goes on so; Drying says why there is no such date.
	DriesPerH *float64   `json:"dries_per_h,omitempty"`
	DryAt     *time.Time `json:"dry_at,omitempty"`
	Drying    string     `json:"drying,omitempty"`
	// Reminders are what should be done, the most pressing first.
	Reminders []Reminder `json:"reminders"`
	// Repairs are what was found and booked for repair, oldest first.
	Repairs []string `json:"repairs"`
}

// Reminder is something that a person should do, or look at.
type Reminder struct {
	ID   string `json:"id"`
	Text string `json:"text"`
	// Before is the step that it should come before; absent for none.
	Before string    `json:"before,omitempty"`
	Due    time.Time `json:"due"`
}

// Quantity is a figure with its expanded uncertainty (coverage factor 2), both in the
// unit of the field's name.
type Quantity struct {
	Value float64 `json:"value"`
	U     float64 `json:"u"`
}

// Energy is what the boiler still holds, by the steam tables and what a glass tells of
// it. A figure is absent where it is not known, which is not nothing.
type Energy struct {
	// EnergyMJ is that of water, steam and steel over 15 °C, in megajoule.
	EnergyMJ *Quantity `json:"energy_mj,omitempty"`
	// WaterKg is the water in kilogram.
	WaterKg *Quantity `json:"water_kg,omitempty"`
	// LossKW is the heat that leaves the boiler, in kilowatt; known only while it stands
	// shut with no fire in.
	LossKW *Quantity `json:"loss_kw,omitempty"`
	// FlashKg is how much of the water would become steam if it were let down to the air
	// now, in kilogram; FlashShare which part of it, 0 to 1.
	FlashKg    *Quantity `json:"flash_kg,omitempty"`
	FlashShare *Quantity `json:"flash_share,omitempty"`
	// EnergyMostMJ, WaterMostKg and FlashMostKg are the most that there may be where the
	// glass does not tell how much water there is; absent where it does, and where there
	// is no such bound.
	EnergyMostMJ *float64 `json:"energy_most_mj,omitempty"`
	WaterMostKg  *float64 `json:"water_most_kg,omitempty"`
	FlashMostKg  *float64 `json:"flash_most_kg,omitempty"`
	// Why says why any of it is not known, WhyNoLoss why the loss is not.
	Why       string `json:"why,omitempty"`
	WhyNoLoss string `json:"why_no_loss,omitempty"`
}

// State is how an engine is now.
type State struct {
	Engine string    `json:"engine"`
	At     time.Time `json:"at"`
	Phase  string    `json:"phase" enum:"in-steam,fire-dropped,blowing-down,emptied,cooling,housed,laid-up,lighting-up"`
	// LayUp is the lay-up that this disposal leads to.
	LayUp    telemetry.LayUp               `json:"lay_up"`
	Disposal *Disposal                     `json:"disposal,omitempty"`
	Channels map[telemetry.Channel]Reading `json:"channels"`
	Steps    []Step                        `json:"steps"`
	// Front is the id of the step in front: the first in working order that is not done.
	Front         string     `json:"front"`
	Asks          []Ask      `json:"asks"`
	Forecasts     []Forecast `json:"forecasts"`
	Alarms        []Alarm    `json:"alarms"`
	Confirmations []Given    `json:"confirmations"`
	// Findings are what is the matter with the sensors; Bearing how the alarms are borne.
	Findings []Finding `json:"findings"`
	Bearing  Bearing   `json:"bearing"`
	Rest     Rest      `json:"rest"`
	// Energy is absent where it was never reckoned.
	Energy *Energy `json:"energy,omitempty"`
}

// Disposal is the putting-away that is open, or was last.
type Disposal struct {
	ID    string     `json:"id"`
	Begun time.Time  `json:"begun"`
	Ended *time.Time `json:"ended,omitempty"`
}

// Snapshot is the whole state of the shed.
type Snapshot struct {
	At      time.Time `json:"at"`
	Shed    Shed      `json:"shed"`
	Engines []Engine  `json:"engines"`
	States  []State   `json:"states"`
}

// Change is what became different on one engine. A field that is absent is as it
// was; Channels holds only the channels that have a newer reading, Steps only the
// steps that changed; Asks and Confirmations, where present, replace the whole list.
type Change struct {
	At            time.Time                     `json:"at"`
	Engine        string                        `json:"engine"`
	Phase         *string                       `json:"phase,omitempty" enum:"in-steam,fire-dropped,blowing-down,emptied,cooling,housed,laid-up,lighting-up"`
	LayUp         *telemetry.LayUp              `json:"lay_up,omitempty"`
	Disposal      *Disposal                     `json:"disposal,omitempty"`
	Channels      map[telemetry.Channel]Reading `json:"channels,omitempty"`
	Steps         []Step                        `json:"steps,omitempty"`
	Front         *string                       `json:"front,omitempty"`
	Asks          *[]Ask                        `json:"asks,omitempty"`
	Forecasts     *[]Forecast                   `json:"forecasts,omitempty"`
	Alarms        *[]Alarm                      `json:"alarms,omitempty"`
	Confirmations *[]Given                      `json:"confirmations,omitempty"`
	Findings      *[]Finding                    `json:"findings,omitempty"`
	Bearing       *Bearing                      `json:"bearing,omitempty"`
	Rest          *Rest                         `json:"rest,omitempty"`
	Energy        *Energy                       `json:"energy,omitempty"`
	// Marks, where present, replaces the engine's marks (boiling point here moves
	// with the barometer).
	Marks *map[string]float64 `json:"marks,omitempty"`
}

// Beat says that the daemon is alive and nothing changed.
type Beat struct {
	At time.Time `json:"at"`
}

// Live is one message of the WebSocket; exactly one of Snapshot, Change and Beat
// is set. N rises by one with each change, and goes on rising when the daemon is
// started again; a snapshot or a beat carries the N of the newest change that it
// follows. A client applies a change only if its N is one more than the last it
// applied; else it asks again with after.
type Live struct {
	N        uint64    `json:"n"`
	Snapshot *Snapshot `json:"snapshot,omitempty"`
	Change   *Change   `json:"change,omitempty"`
	Beat     *Beat     `json:"beat,omitempty"`
}

// Series is one channel over a span of time in at most as many buckets as were asked for.
type Series struct {
	Channel telemetry.Channel `json:"channel"`
	Unit    telemetry.Unit    `json:"unit"`
	From    time.Time         `json:"from"`
	To      time.Time         `json:"to"`
	Buckets []Bucket          `json:"buckets"`
}

// Bucket sums up the samples within [From, To). Min, Mean and Max are null where
// Count is 0: a gap stays a gap.
type Bucket struct {
	From  time.Time         `json:"from"`
	To    time.Time         `json:"to"`
	Min   *float64          `json:"min"`
	Mean  *float64          `json:"mean"`
	Max   *float64          `json:"max"`
	Count int               `json:"count"`
	Worst telemetry.Quality `json:"worst"`
}

// Lanes is the past of all steps of an engine, as it was judged then.
type Lanes struct {
	From   time.Time `json:"from"`
	To     time.Time `json:"to"`
	Lanes  []Lane    `json:"lanes"`
	Stamps []Stamp   `json:"stamps"`
}

// Lane is the verdicts of one step in order of time; the first stands from
// Lanes.From where the verdict then is known.
type Lane struct {
	Step     string   `json:"step"`
	Segments []Onward `json:"segments"`
}

// Onward is a verdict that stands from T until the next.
type Onward struct {
	T       time.Time       `json:"t"`
	Verdict verdict.Verdict `json:"verdict"`
}

// Stamp is something that a person said, or a confirmation that lapsed.
type Stamp struct {
	T    time.Time `json:"t"`
	Kind string    `json:"kind" enum:"confirmed,withdrawn,lapsed,disposal-begun,disposal-ended,fire-lit,node-put-away,node-back,alarm,alarm-acknowledged,alarm-shelved,alarm-unshelved,repair-booked,repair-done,next-wanted,looked-into"`
	// Subject is the confirmation's id, where the kind has one.
	Subject string `json:"subject,omitempty"`
	By      string `json:"by,omitempty"`
}

// Entry is one entry of the engine's book.
type Entry struct {
	Seq  uint64    `json:"seq"`
	At   time.Time `json:"t"`
	Kind string    `json:"kind"`
	By   string    `json:"by,omitempty"`
	Text string    `json:"text"`
}
