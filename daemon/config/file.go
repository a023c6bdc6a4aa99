package config

// The file as a person writes it. Every key is here; what it means is in the
// commented example under testdata/config.

type file struct {
	Shed    fileShed     `toml:"shed"`
	HTTP    fileHTTP     `toml:"http"`
	MQTT    fileMQTT     `toml:"mqtt"`
	Forward *fileForward `toml:"forward"`
	Bus     []fileBus    `toml:"bus"`
	Engine  []fileEngine `toml:"engine"`

	Lamp      *fileLamp       `toml:"lamp"`
	Neighbour []fileNeighbour `toml:"neighbour"`
	Notify    *fileNotify     `toml:"notify"`
}

type fileShed struct {
	ID        string        `toml:"id"`
	Name      string        `toml:"name"`
	Timezone  string        `toml:"timezone"`
	AltitudeM float64       `toml:"altitude_m"`
	SkewS     *float64      `toml:"skew_s"`
	People    []string      `toml:"people"`
	Channel   []fileChannel `toml:"channel"`
}

type fileHTTP struct {
	Listen string `toml:"listen"`
}

type fileMQTT struct {
	Broker       string `toml:"broker"`
	Listen       string `toml:"listen"`
	User         string `toml:"user"`
	PasswordFile string `toml:"password_file"`
	CAFile       string `toml:"ca_file"`
	ClientID     string `toml:"client_id"`
}

type fileForward struct {
	URL          string  `toml:"url"`
	Organisation string  `toml:"organisation"`
	Bucket       string  `toml:"bucket"`
	TokenFile    string  `toml:"token_file"`
	EveryS       float64 `toml:"every_s"`
}

type fileBus struct {
	Name string `toml:"name"`
	// Device is the bus as the operating system names it; Name where empty.
	Device string `toml:"device"`
}

type fileEngine struct {
	ID              string             `toml:"id"`
	Name            string             `toml:"name"`
	WorkingPressure float64            `toml:"working_pressure_bar"`
	BoilerVolume    float64            `toml:"boiler_volume_l"`
	Tanks           *int               `toml:"tanks"`
	BlowDownPipe    *bool              `toml:"blow_down_pipe"`
	LayUp           string             `toml:"lay_up"`
	EmptiedBy       string             `toml:"emptied_by"`
	Limits          map[string]float64 `toml:"limits"`
	ByWord          map[string]string  `toml:"by_word"`
	Channel         []fileChannel      `toml:"channel"`
}

type fileChannel struct {
	ID          string           `toml:"id"`
	Uncertainty any              `toml:"uncertainty"`
	Range       []any            `toml:"range"`
	Reference   string           `toml:"reference"`
	IntervalS   float64          `toml:"interval_s"`
	Mapped      *fileMapped      `toml:"mapped"`
	Wired       *fileWired       `toml:"wired"`
	Calibration *fileCalibration `toml:"calibration"`
}

type fileMapped struct {
	Topic   string   `toml:"topic"`
	Pointer string   `toml:"pointer"`
	Unit    string   `toml:"unit"`
	Scale   *float64 `toml:"scale"`
	Offset  float64  `toml:"offset"`
	Node    string   `toml:"node"`
}

type fileWired struct {
	Bus     string `toml:"bus"`
	Chip    string `toml:"chip"`
	Address int    `toml:"address"`
	// Input is an ADC's input, 0 to 3.
	Input int `toml:"input"`
	// Couple is the thermocouple's letter; Open says by what an open one shows:
	// "chip" or "bias".
	Couple string `toml:"couple"`
	Open   string `toml:"open"`
	// Signal is "loop" or "ratiometric".
	Signal   string  `toml:"signal"`
	ShuntOhm float64 `toml:"shunt_ohm"`
	SupplyV  float64 `toml:"supply_v"`
	EveryS   float64 `toml:"every_s"`
}
