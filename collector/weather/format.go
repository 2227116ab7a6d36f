package weather

import (
	"fmt"
	"strings"
)

// Stamp says which span a value's time belongs to.
type Stamp string

// The stamps.
const (
	Start   Stamp = "start"   // the mean over the hour that starts there
	End     Stamp = "end"     // the mean over the hour that ends there
	Instant Stamp = "instant" // the value at that moment
)

// Field is where one quantity is found in the answer.
type Field struct {
	Path  string  `yaml:"path" doc:"where the values are, such as hourly.shortwave_radiation"`
	Scale float64 `yaml:"scale" doc:"what to multiply them with; 0.01 for per cent"`
	Stamp Stamp   `yaml:"stamp" doc:"what a time means: start, end (of the hour) or instant"`
}

func (f Field) scale() float64 {
	if f.Scale == 0 {
		return 1
	}
	return f.Scale
}

// Format says how to read an answer. Paths are keys with dots between.
type Format struct {
	// Times is the array of times; for a series it is the time within one of its objects. A
	// grid has none: each value carries its own.
	Times  string `yaml:"times" doc:"the array of times, or in a series the time of each entry"`
	Series string `yaml:"series" doc:"the array of objects, one for each time"`
	Issued string `yaml:"issued" doc:"when the forecast was made; else the moment it was fetched"`
	GHI    Field  `yaml:"ghi" doc:"global horizontal irradiance, W/m²"`
	Cloud  Field  `yaml:"cloud" doc:"cloud cover, 0 to 1"`
	Air    Field  `yaml:"air" doc:"air temperature, °C"`
}

// Check reports what is missing or impossible.
func (f *Format) Check(problem func(key, what string)) {
	if f.GHI.Path == "" && f.Cloud.Path == "" {
		problem("ghi", "neither ghi nor cloud has a path: nothing would tell of light")
	}
	if f.Series != "" && f.Times == "" {
		problem("times", "a series needs the path of the time within its entries")
	}
	for key, x := range map[string]Field{"ghi": f.GHI, "cloud": f.Cloud, "air": f.Air} {
		switch x.Stamp {
		case "", Start, End, Instant:
		default:
			problem(key, fmt.Sprintf("stamp %q is none of start, end, instant", x.Stamp))
		}
	}
}

// Preset is a ready setting for a public service that wants no key.
type Preset struct {
	Name   string
	URL    string // with {lat} and {lon}
	Terms  string // what the service asks of its users
	Format Format
}

// Presets are the ready settings. Shapes as the services document them.
func Presets() []Preset {
	return []Preset{
		{
			Name:  "open-meteo",
			URL:   "https://api.open-meteo.com/v1/forecast?latitude={lat}&longitude={lon}&hourly=shortwave_radiation,cloud_cover,temperature_2m&forecast_days=10&timezone=UTC",
			Terms: "free for non-commercial use, CC BY 4.0; at most some thousand requests a day",
			Format: Format{
				Times: "hourly.time",
				GHI:   Field{Path: "hourly.shortwave_radiation", Stamp: End},
				Cloud: Field{Path: "hourly.cloud_cover", Scale: 0.01, Stamp: Instant},
				Air:   Field{Path: "hourly.temperature_2m", Stamp: Instant},
			},
		},
		{
			Name:  "met-norway",
			URL:   "https://api.met.no/weatherapi/locationforecast/2.0/compact?lat={lat}&lon={lon}",
			Terms: "CC BY 4.0 with attribution; says who asks, keeps to Expires, at most four decimals",
			Format: Format{
				Series: "properties.timeseries",
				Times:  "time",
				Issued: "properties.meta.updated_at",
				Cloud:  Field{Path: "data.instant.details.cloud_area_fraction", Scale: 0.01, Stamp: Instant},
				Air:    Field{Path: "data.instant.details.air_temperature", Stamp: Instant},
			},
		},
		{
			Name:  "us-weather-grid",
			URL:   "", // the grid's address, read once from https://api.weather.gov/points/{lat},{lon}
			Terms: "public domain; says who asks; the URL is forecastGridData of /points/{lat},{lon}",
			Format: Format{
				Issued: "properties.updateTime",
				Cloud:  Field{Path: "properties.skyCover.values", Scale: 0.01, Stamp: Start},
				Air:    Field{Path: "properties.temperature.values", Stamp: Start},
			},
		},
	}
}

// FindPreset finds a ready setting by its name.
func FindPreset(name string) (Preset, bool) {
	for _, p := range Presets() {
		if p.Name == name {
			return p, true
		}
	}
	return Preset{}, false
}

// Address fills a place into a URL. Four decimals are 11 m, and all that some services take.
func Address(url string, lat, lon float64) string {
	return strings.NewReplacer("{lat}", fmt.Sprintf("%.4f", lat), "{lon}", fmt.Sprintf("%.4f", lon)).Replace(url)
}
