package message

import (
	"time"

	"ashlamp/rules/telemetry"
)

// Setup is all that the set-up of a shed shows: what the configuration says, and
// beside it what is heard and found. Each call that writes answers with it anew.
type Setup struct {
	File   SetupFile   `json:"file"`
	Daemon SetupDaemon `json:"daemon"`
	Shed   SetupShed   `json:"shed"`
	Doors  SetupDoors  `json:"doors"`
	// Channels are those of the shed's air (ambient.*), which serve every engine.
	Channels []SetupChannel `json:"channels"`
	Engines  []SetupEngine  `json:"engines"`
	// Nodes are the boxes that were heard since the daemon was started, those of
	// engines that are not configured among them; the newest heard first.
	Nodes []SetupNode `json:"nodes"`
	// Refused are the topics on which something came that was not taken; the newest first.
	Refused []SetupRefusal `json:"refused"`
	// Buses are the I2C buses of this machine, each as it was found when this was asked for.
	Buses []SetupBus `json:"buses"`
	// Troubles are what hinders set-up, in words, for example that there is no I2C
	// bus on this machine, with the mend.
	Troubles []string `json:"troubles"`
	// Known are the channels that the rules judge by; a channel of another name is
	// stored and drawn.
	Known []SetupKnown `json:"known"`
	// Limits declare every limit that an engine may set.
	Limits []SetupLimit `json:"limits"`
	// Evidence is what sensors bear, and what a person's word may stand for instead.
	Evidence []SetupEvidence `json:"evidence"`
	// Faults are the faults that may be rehearsed.
	Faults []string `json:"faults"`
	// Rehearsal is the one that plays now; absent where none does.
	Rehearsal *SetupRehearsal `json:"rehearsal,omitempty"`
}

// SetupFile is the configuration file.
type SetupFile struct {
	// Path is where the file is, or will be.
	Path string `json:"path"`
	// Exists is false until the first configuration that can be run was written.
	Exists bool `json:"exists"`
	// Hash stands for the text; whoever writes sends the hash that it was made from.
	Hash string `json:"hash"`
	// Text is the TOML as it is, or as it will be written once nothing is missing.
	Text string `json:"text"`
	// Missing is what must still be given before it can be run; empty where it can be.
	Missing []SetupFault `json:"missing"`
	// Changed is true where the file on disk is no longer the one that runs: a person
	// has edited it. POST /setup/reload takes it up.
	Changed bool `json:"changed"`
	// Wrong is what is wrong with the file on disk where it was changed so that it
	// cannot be run.
	Wrong []SetupFault `json:"wrong"`
}

// SetupFault is one thing that is wrong or missing, at a line of the file.
type SetupFault struct {
	Line int    `json:"line"`
	Text string `json:"text"`
}

// SetupDaemon is how the daemon itself is.
type SetupDaemon struct {
	// State is "set-up" while there is no configuration that can be run, "starting"
	// while it is put together from one, and "running".
	State string `json:"state" enum:"set-up,starting,running"`
	// Trouble says why it does not run as the file says; absent where it does.
	Trouble string `json:"trouble,omitempty"`
	// Now is the time by the daemon's clock.
	Now time.Time `json:"now"`
}

// SetupShed is the shed as configured.
type SetupShed struct {
	ID   string `json:"id"`
	Name string `json:"name"`
	// Timezone is an IANA zone name.
	Timezone string `json:"timezone"`
	// AltitudeM is in metre above sea level.
	AltitudeM float64 `json:"altitude_m"`
	// SkewS is how far a sample's time may be ahead, in seconds.
	SkewS float64 `json:"skew_s"`
	// People may give their word on the page; with none named anybody may.
	People []string `json:"people"`
}

// SetupDoors are the addresses: where the page is, and where nodes are heard.
type SetupDoors struct {
	// Page is where the page is served; a change of it is taken up at once, and the
	// page is then at the new address.
	Page string `json:"page"`
	// Listen is where the built-in broker listens; empty where there is an outside one.
	Listen string `json:"listen,omitempty"`
	// Broker is the URL of an outside broker.
	Broker string `json:"broker,omitempty"`
	// Addresses are those of this machine, for nodes and phones to be pointed at;
	// without a port.
	Addresses []string `json:"addresses"`
}

// SetupEngine is an engine as configured, with every default filled in.
type SetupEngine struct {
	ID   string `json:"id"`
	Name string `json:"name"`
	// WorkingPressureBar is in bar, gauge; BoilerVolumeL in litre, water and steam together.
	WorkingPressureBar float64 `json:"working_pressure_bar"`
	BoilerVolumeL      float64 `json:"boiler_volume_l"`
	// Tanks is 0, 1 or 2.
	Tanks        int             `json:"tanks"`
	BlowDownPipe bool            `json:"blow_down_pipe"`
	LayUp        telemetry.LayUp `json:"lay_up"`
	EmptiedBy    string          `json:"emptied_by" enum:"cold,empty"`
	// Limits are those that the file sets, by key, in the unit of [SetupLimit].
	Limits map[string]float64 `json:"limits"`
	// Defaults are what holds where the file sets none, by key; absent for a limit
	// that only the owner can set.
	Defaults map[string]float64 `json:"defaults"`
	// ByWord names, for an evidence that is not measured, the confirmation in its place.
	ByWord   map[string]string `json:"by_word"`
	Channels []SetupChannel    `json:"channels"`
	// Wants are the channels that are not configured and that a step cannot be proven
	// without.
	Wants []SetupWant `json:"wants"`
}

// SetupWant is a channel that is not configured, and what cannot be told without it.
type SetupWant struct {
	Channel telemetry.Channel `json:"channel"`
	// Steps are the ids of the steps that cannot be proven without it.
	Steps []string `json:"steps"`
}

// SetupChannel is a channel as configured, and what it shows now.
type SetupChannel struct {
	ID   telemetry.Channel `json:"id"`
	Unit telemetry.Unit    `json:"unit"`
	// Uncertainty is the expanded uncertainty (coverage factor 2) in the unit;
	// null where it is not known.
	Uncertainty *float64 `json:"uncertainty"`
	// Low and High are the instrument's range in the unit; null where not stated.
	Low  *float64 `json:"low"`
	High *float64 `json:"high"`
	// Absolute is true for a pressure against vacuum.
	Absolute bool `json:"absolute"`
	// IntervalS is the declared time between samples in seconds; 0 where not stated.
	IntervalS float64 `json:"interval_s"`
	// Source is where the samples come from: "contract" for the MQTT topics of the
	// contract, "mapped", or "wired".
	Source string       `json:"source" enum:"contract,mapped,wired"`
	Mapped *SetupMapped `json:"mapped,omitempty"`
	Wired  *SetupWired  `json:"wired,omitempty"`
	// Topic is where a node is to send it, where the source is the contract's topics.
	Topic string `json:"topic,omitempty"`
	// Reading is the newest sample; absent where there was none since the daemon was started.
	Reading *Reading `json:"reading,omitempty"`
	// Calibration is the one that is in use; absent where there is none.
	Calibration *SetupCalibration `json:"calibration,omitempty"`
	// Calibratable is whether zero and span can be set here; Hindrance says why not.
	Calibratable bool   `json:"calibratable"`
	Hindrance    string `json:"hindrance,omitempty"`
}

// SetupMapped is how a channel is read from a node that speaks something else.
type SetupMapped struct {
	// Topic is an MQTT topic filter.
	Topic string `json:"topic" minLength:"1" maxLength:"256"`
	// Pointer is a JSON Pointer (RFC 6901) into the payload; absent for a plain number.
	Pointer string `json:"pointer,omitempty" maxLength:"256"`
	// Unit is that of the number once scaled; absent for the channel's own.
	Unit string `json:"unit,omitempty" maxLength:"16"`
	// Scale and Offset: value = number × scale + offset; absent for 1 and 0.
	Scale  *float64 `json:"scale,omitempty"`
	Offset *float64 `json:"offset,omitempty"`
	// Node is the id under which the box is known; absent for the client's own.
	Node string `json:"node,omitempty" maxLength:"64"`
}

// SetupWired is how a channel is read from a chip on the board's bus.
type SetupWired struct {
	// Bus is the bus as [SetupBus.Name]; the file's table for it is made where there is none.
	Bus string `json:"bus" minLength:"1" maxLength:"64"`
	// Chip is the kind of chip.
	Chip string `json:"chip" enum:"ads1115,mcp9600,mcp9601"`
	// Address is the chip's on the bus.
	Address int `json:"address" minimum:"8" maximum:"119"`
	// Input is an ADS1115's input, 0 to 3.
	Input *int `json:"input,omitempty" minimum:"0" maximum:"3"`
	// Couple is a thermocouple's letter.
	Couple string `json:"couple,omitempty" enum:"K,J,T,N"`
	// Open says by what an open thermocouple is seen.
	Open string `json:"open,omitempty" enum:"chip,bias"`
	// Signal is an ADS1115's: a 4 to 20 mA loop, or 0.5 to 4.5 V of its supply.
	Signal string `json:"signal,omitempty" enum:"loop,ratiometric"`
	// ShuntOhm is the loop's shunt, SupplyV the ratiometric transducer's supply in volt,
	// EveryS the time between readings in seconds.
	ShuntOhm *float64 `json:"shunt_ohm,omitempty"`
	SupplyV  *float64 `json:"supply_v,omitempty"`
	EveryS   *float64 `json:"every_s,omitempty"`
}

// SetupCalibration is zero and span of a channel as fitted to points that were taken
// beside a reference: value = zero + gain × reading. All in the channel's unit.
type SetupCalibration struct {
	At time.Time `json:"at"`
	By string    `json:"by"`
	// Reference names the gauge that it was compared with.
	Reference string       `json:"reference,omitempty"`
	Zero      float64      `json:"zero"`
	Gain      float64      `json:"gain"`
	Points    []SetupPoint `json:"points"`
	// UncertaintyLow and UncertaintyHigh are the expanded uncertainties (coverage
	// factor 2) of the fitted line at the lower and the upper end of the range,
	// UncertaintyZero that at a value of zero, null where zero is outside the range.
	UncertaintyLow  float64  `json:"uncertainty_low"`
	UncertaintyHigh float64  `json:"uncertainty_high"`
	UncertaintyZero *float64 `json:"uncertainty_zero"`
}

// SetupPoint is one comparison that a calibration rests on, in the channel's unit.
type SetupPoint struct {
	// Reading is what the instrument gave without a calibration.
	Reading float64 `json:"reading"`
	// Value is what it gives with the calibration, Reference what the reference gave.
	Value     float64 `json:"value"`
	Reference float64 `json:"reference"`
	// Uncertainty is the expanded uncertainty (coverage factor 2) of the reference.
	Uncertainty float64 `json:"uncertainty"`
	// Residual is reference minus value.
	Residual float64    `json:"residual"`
	At       *time.Time `json:"at,omitempty"`
}

// SetupNode is a box that was heard.
type SetupNode struct {
	// ID is the client's id, or that of its status; empty where neither is known.
	ID string `json:"id"`
	// Up is what it last said of itself; absent where it said nothing.
	Up *bool `json:"up,omitempty"`
	// Last is when it was last heard.
	Last time.Time `json:"last"`
	// Messages is how many were heard.
	Messages int `json:"messages"`
	// Sends is what came, by topic.
	Sends []SetupSend `json:"sends"`
}

// SetupSend is one channel as a node sends it.
type SetupSend struct {
	Topic string `json:"topic"`
	// Shed and Engine are those that the topic names; Engine is empty for the shed's air.
	Shed   string            `json:"shed"`
	Engine string            `json:"engine"`
	ID     telemetry.Channel `json:"id"`
	// Value is null where there is no number.
	Value   *float64          `json:"value"`
	Unit    telemetry.Unit    `json:"unit"`
	Quality telemetry.Quality `json:"quality"`
	Reason  string            `json:"reason,omitempty"`
	// At is the sample's own time, Received when it came.
	At       time.Time `json:"at"`
	Received time.Time `json:"received"`
	// IntervalS is the time between the two newest samples in seconds; 0 for one alone.
	IntervalS float64 `json:"interval_s"`
	// Taken is whether the configuration has a channel for it.
	Taken bool `json:"taken"`
}

// SetupRefusal is a topic on which something came that was not taken.
type SetupRefusal struct {
	Topic string `json:"topic"`
	// Node is the client's id; empty where it is not known.
	Node string    `json:"node"`
	Last time.Time `json:"last"`
	// Times is how often.
	Times int `json:"times"`
	// Why says what is wrong, and the mend.
	Why string `json:"why"`
	// Payload is the beginning of the newest message as text; empty where it is no text.
	Payload string `json:"payload"`
	// Numbers are the plain numbers in it by their JSON Pointer ("" for the whole
	// payload), for a mapping to be made from.
	Numbers []SetupNumber `json:"numbers"`
}

// SetupNumber is a number within a message.
type SetupNumber struct {
	Pointer string  `json:"pointer"`
	Value   float64 `json:"value"`
}

// SetupBus is an I2C bus of this machine.
type SetupBus struct {
	// Name is the bus as the configuration calls it, or the system's name where it has none.
	Name string `json:"name"`
	// Device is what the operating system calls it.
	Device  string        `json:"device"`
	Devices []SetupDevice `json:"devices"`
	// Trouble says why it could not be looked through.
	Trouble string `json:"trouble,omitempty"`
}

// SetupDevice is a chip that answered on a bus.
type SetupDevice struct {
	Address int `json:"address"`
	// Kind is the word for it in the configuration; empty for one that no driver knows.
	Kind string `json:"kind"`
	// Name is the chip's name as far as it could be told.
	Name      string `json:"name"`
	Certainty string `json:"certainty" enum:"unknown,likely,certain"`
	// Serves says what it measures.
	Serves string `json:"serves,omitempty"`
	// Used are the channels that are read from it, as engine and channel id with a
	// stroke between, the channel alone for the shed's.
	Used []string `json:"used"`
}

// SetupKnown is a channel that the rules judge by.
type SetupKnown struct {
	ID   telemetry.Channel `json:"id"`
	Unit telemetry.Unit    `json:"unit"`
	// OfShed is that it belongs to the shed and serves every engine.
	OfShed bool `json:"of_shed"`
	// Uncertainty is the one that is taken where none is stated.
	Uncertainty float64 `json:"uncertainty"`
	// Low and High are the bounds of the absurd.
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

// SetupLimit declares a limit.
type SetupLimit struct {
	Key  string `json:"key"`
	Unit string `json:"unit"`
	// Min and Max are what is accepted.
	Min     float64 `json:"min"`
	Max     float64 `json:"max"`
	Meaning string  `json:"meaning"`
	Source  string  `json:"source"`
	// Owner is true where only the engine's owner can set it: there is no default.
	Owner bool `json:"owner"`
}

// SetupEvidence is an evidence that sensors bear.
type SetupEvidence struct {
	ID    string `json:"id"`
	Title string `json:"title"`
}

// SetupRehearsal is a simulated evening that plays now, apart from the real engines.
type SetupRehearsal struct {
	// Name is what its page calls it; it begins with "Rehearsal".
	Name string `json:"name"`
	// Engine is the id of the configured engine that it is made after.
	Engine string `json:"engine"`
	// Port is where its page is, on the host of this one.
	Port  int     `json:"port"`
	Speed float64 `json:"speed"`
	Fault string  `json:"fault,omitempty"`
	// Began is when it was asked for; Date is what its own clock shows.
	Began time.Time `json:"began"`
	Date  time.Time `json:"date"`
	// Over is that its evening has ended and its clock stands.
	Over bool `json:"over"`
}

// SetupShedPut is what a person sends to name the shed. What is left out stays as
// it is in the file; hash is that of the text it was made from.
type SetupShedPut struct {
	Hash      string    `json:"hash" minLength:"1" maxLength:"64"`
	ID        *string   `json:"id,omitempty" minLength:"1" maxLength:"64"`
	Name      *string   `json:"name,omitempty" maxLength:"80"`
	Timezone  *string   `json:"timezone,omitempty" maxLength:"64"`
	AltitudeM *float64  `json:"altitude_m,omitempty"`
	SkewS     *float64  `json:"skew_s,omitempty"`
	People    *[]string `json:"people,omitempty"`
	// By is who does it.
	By string `json:"by,omitempty" maxLength:"80"`
}

// SetupDoorsPut is what a person sends to choose the addresses. Listen and Broker
// exclude each other: setting one deletes the other.
type SetupDoorsPut struct {
	Hash   string  `json:"hash" minLength:"1" maxLength:"64"`
	Page   *string `json:"page,omitempty" minLength:"1" maxLength:"256"`
	Listen *string `json:"listen,omitempty" minLength:"1" maxLength:"256"`
	Broker *string `json:"broker,omitempty" minLength:"1" maxLength:"256"`
	By     string  `json:"by,omitempty" maxLength:"80"`
}

// SetupEnginePut is what a person sends to add or alter an engine. What is left out
// stays as it is, or takes the default in a new one.
type SetupEnginePut struct {
	Hash               string   `json:"hash" minLength:"1" maxLength:"64"`
	Name               *string  `json:"name,omitempty" maxLength:"80"`
	WorkingPressureBar *float64 `json:"working_pressure_bar,omitempty"`
	BoilerVolumeL      *float64 `json:"boiler_volume_l,omitempty"`
	Tanks              *int     `json:"tanks,omitempty" minimum:"0" maximum:"2"`
	BlowDownPipe       *bool    `json:"blow_down_pipe,omitempty"`
	LayUp              *string  `json:"lay_up,omitempty" enum:"short,dry,wet"`
	EmptiedBy          *string  `json:"emptied_by,omitempty" enum:"cold,empty"`
	// Limits sets each that is named; Unset deletes keys, so that the default holds.
	Limits map[string]float64 `json:"limits,omitempty"`
	Unset  []string           `json:"unset,omitempty"`
	// ByWord names confirmations by evidence; an empty text deletes one.
	ByWord map[string]string `json:"by_word,omitempty"`
	// Channels are added or altered by their id, as by a call for each.
	Channels []SetupChannelAs `json:"channels,omitempty"`
	By       string           `json:"by,omitempty" maxLength:"80"`
}

// SetupChannelAs is a channel within a [SetupEnginePut].
type SetupChannelAs struct {
	ID  string          `json:"id" minLength:"1" maxLength:"64"`
	Set SetupChannelSet `json:"set"`
}

// SetupChannelPut is what a person sends to add or alter a channel.
type SetupChannelPut struct {
	Hash string          `json:"hash" minLength:"1" maxLength:"64"`
	Set  SetupChannelSet `json:"set"`
	By   string          `json:"by,omitempty" maxLength:"80"`
}

// SetupChannelSet is what a channel is to be. What is left out stays as it is. All
// numbers are in the channel's unit.
type SetupChannelSet struct {
	Uncertainty *float64 `json:"uncertainty,omitempty"`
	Low         *float64 `json:"low,omitempty"`
	High        *float64 `json:"high,omitempty"`
	Absolute    *bool    `json:"absolute,omitempty"`
	IntervalS   *float64 `json:"interval_s,omitempty"`
	// Source says where samples come from; "mapped" and "wired" take the field of
	// that name. Absent, it stays as it is.
	Source *string      `json:"source,omitempty" enum:"contract,mapped,wired"`
	Mapped *SetupMapped `json:"mapped,omitempty"`
	Wired  *SetupWired  `json:"wired,omitempty"`
}

// SetupReload is what a person sends to take up the file as it is on disk.
type SetupReload struct {
	By string `json:"by,omitempty" maxLength:"80"`
}

// SetupCalibrationPost is what a person sends to set zero and span: two points or
// more at which a reference was read beside the channel.
type SetupCalibrationPost struct {
	Hash string `json:"hash" minLength:"1" maxLength:"64"`
	// Points are in the channel's unit.
	Points []SetupPointPost `json:"points"`
	// Reference names the gauge that it was compared with.
	Reference string `json:"reference,omitempty" maxLength:"80"`
	// By is who did it.
	By string `json:"by" minLength:"1" maxLength:"80"`
	// Trial is that nothing is to be kept: the answer says what would be.
	Trial bool `json:"trial,omitempty"`
}

// SetupPointPost is one comparison.
type SetupPointPost struct {
	// Reading is what the channel showed, with the calibration that is in use.
	Reading float64 `json:"reading"`
	// Reference is what the reference gave.
	Reference float64 `json:"reference"`
	// Uncertainty is the expanded uncertainty (coverage factor 2) of the reference.
	Uncertainty float64 `json:"uncertainty"`
	// At is when it was taken (RFC 3339).
	At string `json:"at,omitempty" format:"date-time"`
}

// SetupCalibrated answers a calibration.
type SetupCalibrated struct {
	Calibration SetupCalibration `json:"calibration"`
	// Kept is false for a trial.
	Kept bool `json:"kept"`
	// Notes say what it brings with it, for example that the channel's uncertainty in
	// the file is raised to what the line itself is worth.
	Notes []string `json:"notes"`
	Setup Setup    `json:"setup"`
}

// SetupRehearsalPost is what a person sends to have an evening played.
type SetupRehearsalPost struct {
	// Engine is the id of a configured engine.
	Engine string `json:"engine" minLength:"1" maxLength:"64"`
	// Speed is how many seconds of the evening pass in one.
	Speed float64 `json:"speed" minimum:"0.1" maximum:"3600"`
	// Fault is the name of a fault to happen; absent for none.
	Fault string `json:"fault,omitempty" maxLength:"64"`
}

// Whole is as [Engine.Whole].
func (s Setup) Whole() Setup {
	s.File.Missing, s.File.Wrong = filled(s.File.Missing), filled(s.File.Wrong)
	s.Shed.People = filled(s.Shed.People)
	s.Doors.Addresses = filled(s.Doors.Addresses)
	s.Channels = each(s.Channels, SetupChannel.Whole)
	s.Engines = each(s.Engines, SetupEngine.Whole)
	s.Nodes = each(s.Nodes, func(n SetupNode) SetupNode { n.Sends = filled(n.Sends); return n })
	s.Refused = each(s.Refused, func(r SetupRefusal) SetupRefusal { r.Numbers = filled(r.Numbers); return r })
	s.Buses = each(s.Buses, SetupBus.Whole)
	s.Troubles, s.Known, s.Limits = filled(s.Troubles), filled(s.Known), filled(s.Limits)
	s.Evidence, s.Faults = filled(s.Evidence), filled(s.Faults)
	return s
}

// Whole is as [Engine.Whole].
func (e SetupEngine) Whole() SetupEngine {
	if e.Limits == nil {
		e.Limits = map[string]float64{}
	}
	if e.Defaults == nil {
		e.Defaults = map[string]float64{}
	}
	if e.ByWord == nil {
		e.ByWord = map[string]string{}
	}
	e.Channels = each(e.Channels, SetupChannel.Whole)
	e.Wants = each(e.Wants, func(w SetupWant) SetupWant { w.Steps = filled(w.Steps); return w })
	return e
}

// Whole is as [Engine.Whole].
func (c SetupChannel) Whole() SetupChannel {
	if c.Calibration != nil {
		k := c.Calibration.Whole()
		c.Calibration = &k
	}
	return c
}

// Whole is as [Engine.Whole].
func (c SetupCalibration) Whole() SetupCalibration {
	c.Points = filled(c.Points)
	return c
}

// Whole is as [Engine.Whole].
func (b SetupBus) Whole() SetupBus {
	b.Devices = each(b.Devices, func(d SetupDevice) SetupDevice { d.Used = filled(d.Used); return d })
	return b
}

// Whole is as [Engine.Whole].
func (c SetupCalibrated) Whole() SetupCalibrated {
	c.Calibration, c.Notes, c.Setup = c.Calibration.Whole(), filled(c.Notes), c.Setup.Whole()
	return c
}
