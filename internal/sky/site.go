package sky

import (
	"fmt"
	"math"

	"holdfast/internal/unit"
)

// Site is where the telescope stands and the air it looks through. Make one
// with NewSite, which fills in standard air; a Site without pressure has no
// refraction.
type Site struct {
	Lat, Lon   unit.Deg // geodetic (WGS84), north and east positive
	Height     unit.Metre
	Pressure   unit.HPa // at the site, not reduced to sea level; 0 is no air
	Temp       unit.Celsius
	Humidity   float64     // relative, 0 to 1
	Wavelength unit.Micron // at which refraction is computed
}

// NewSite returns a site with standard air: StandardPressure at its height,
// 10 degrees Celsius, half humidity, 0.55 um. The error names a coordinate
// that is not on Earth.
//
// Source: defaults, common practice.
func NewSite(lat, lon unit.Deg, height unit.Metre) (Site, error) {
	s := Site{lat, lon, height, StandardPressure(height), 10, 0.5, 0.55}
	return s, s.check()
}

// check returns an error if the site is not on Earth.
func (s Site) check() error {
	switch {
	case !(s.Lat >= -90 && s.Lat <= 90):
		return fmt.Errorf("sky: site latitude %g deg is not between -90 and 90", float64(s.Lat))
	case !(s.Lon >= -360 && s.Lon <= 360):
		return fmt.Errorf("sky: site longitude %g deg is not between -360 and 360, east positive", float64(s.Lon))
	case !(s.Height >= -6.4e6 && s.Height <= 1e5):
		return fmt.Errorf("sky: site height %g m is not below 100 km", float64(s.Height))
	}
	return nil
}

// StandardPressure returns the air pressure at a height above the sea,
// 1010 hPa exp(-h/8300 m). Good to about 2 % from the sea to 4000 m, as the
// weather allows.
//
// Source: isothermal atmosphere at 283 K, scale height R T/(M g) = 8.29 km.
func StandardPressure(height unit.Metre) unit.HPa {
	return unit.HPa(1010 * math.Exp(-float64(height)/8300))
}
