package command

import (
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"

	"github.com/go-viper/mapstructure/v2"
	"github.com/spf13/pflag"
	"github.com/spf13/viper"

	"benchwarden/instruments/datafile"
	"benchwarden/instruments/quantity"
)

// Settings are the daemon's own: where its files are and how it is reached. They come from a file, from BENCHWARDEN_
// environment variables and from flags, the later ones winning.
type Settings struct {
	Socket    string           `yaml:"socket" mapstructure:"socket"`
	Metrics   string           `yaml:"metrics" mapstructure:"metrics"`
	Benches   []string         `yaml:"benches" mapstructure:"benches"`
	Configs   string           `yaml:"configs" mapstructure:"configs"`
	Scripts   string           `yaml:"scripts" mapstructure:"scripts"`
	Data      string           `yaml:"data" mapstructure:"data"`
	Countdown quantity.Seconds `yaml:"countdown" mapstructure:"countdown"`
	ActWithin quantity.Seconds `yaml:"act_within" mapstructure:"act_within"`
	Log       string           `yaml:"log" mapstructure:"log"`
	Shop      string           `yaml:"shop" mapstructure:"shop"`
}

func (s Settings) families() []string { return []string{filepath.Join(s.Configs, "families")} }
func (s Settings) dialects() []string { return []string{filepath.Join(s.Configs, "dialects")} }
func (s Settings) scripts() []string  { return []string{s.Scripts} }

// variables is what the names of our environment variables begin with.
const variables = "BENCHWARDEN_"

// settings reads Settings when a command asks for them.
type settings struct {
	viper *viper.Viper
	flags *pflag.FlagSet
	file  *string
}

var settingKeys = map[string]struct{ value, help string }{
	"socket":     {defaultSocket(), "Unix socket of the local API"},
	"metrics":    {"127.0.0.1:9464", "loopback address of the metrics page; empty: none"},
	"configs":    {"configs", "folder with families, dialects and benches"},
	"scripts":    {"scripts", "folder with the test scripts"},
	"data":       {defaultData(), "folder for journals and state files"},
	"countdown":  {"3 s", "pause between the act at the bench and the energising"},
	"act_within": {"60 s", "an act that is not done by then is refused"},
	"shop":       {"", "the shop's name, as it stands on reports"},
	"log":        {logPlain, "form of a daemon's log: plain, text (key=value), json"},
}

func defaultSocket() string {
	if dir := os.Getenv("XDG_RUNTIME_DIR"); dir != "" {
		return filepath.Join(dir, "benchwarden.sock")
	}
	return "/run/benchwarden/benchwarden.sock"
}

func defaultData() string {
	home, err := os.UserHomeDir()
	if err != nil {
		return "data"
	}
	return filepath.Join(home, ".local", "share", "benchwarden")
}

func newSettings(flags *pflag.FlagSet) *settings {
	s := &settings{viper: viper.New(), flags: flags}
	s.file = flags.String("config", "", "settings file (YAML)")
	s.viper.SetEnvPrefix(strings.TrimSuffix(variables, "_"))
	s.viper.AutomaticEnv()
	for key, k := range settingKeys {
		name := strings.ReplaceAll(key, "_", "-")
		flags.String(name, k.value, k.help)
		if err := s.viper.BindPFlag(key, flags.Lookup(name)); err != nil {
			panic(err) // the flag was defined in the line before
		}
	}
	s.viper.SetDefault("benches", []string{})
	return s
}

// read gives the settings. A file's unknown key or a number without its unit is a fault with file, line and key.
func (s *settings) read() (Settings, error) {
	var out Settings
	if *s.file != "" {
		if _, err := datafile.Read(*s.file, &Settings{}); err != nil {
			return out, configFault(err)
		}
		s.viper.SetConfigFile(*s.file)
		s.viper.SetConfigType("yaml")
		if err := s.viper.ReadInConfig(); err != nil {
			return out, configFault(err)
		}
	}
	if err := unknownVariables(); err != nil {
		return out, configFault(err)
	}
	if err := s.times(); err != nil {
		return out, configFault(err)
	}
	hooks := mapstructure.ComposeDecodeHookFunc(refuseBareNumbers, mapstructure.TextUnmarshallerHookFunc(),
		mapstructure.StringToSliceHookFunc(string(os.PathListSeparator)))
	if err := s.viper.UnmarshalExact(&out, viper.DecodeHook(hooks)); err != nil {
		return out, configFault(err)
	}
	if !slices.Contains([]string{logPlain, logText, logJSON}, out.Log) {
		return out, configFault(fmt.Errorf("%s: %q is none of plain, text, json", s.origin("log"), out.Log))
	}
	return out, nil
}

// times checks the settings that are times, and names the flag or variable that a bad one came from.
func (s *settings) times() error {
	for _, key := range []string{"act_within", "countdown"} {
		v, err := quantity.ParseAs(s.viper.GetString(key), quantity.Second)
		if err == nil && v.Number < 0 {
			err = fmt.Errorf("%v is below zero", v)
		}
		if err != nil {
			return fmt.Errorf("%s: %w", s.origin(key), err)
		}
	}
	return nil
}

// origin is where a setting's value came from, as a person would write it.
func (s *settings) origin(key string) string {
	flag := strings.ReplaceAll(key, "_", "-")
	if f := s.flags.Lookup(flag); f != nil && f.Changed {
		return "--" + flag
	}
	if _, ok := os.LookupEnv(variable(key)); ok {
		return "environment: " + variable(key)
	}
	return *s.file + ": " + key
}

func variable(key string) string { return variables + strings.ToUpper(key) }

// refuseBareNumbers stops an unquoted number, which passes the text hook by.
func refuseBareNumbers(from, to reflect.Type, data any) (any, error) {
	if to == reflect.TypeFor[quantity.Seconds]() && from.Kind() != reflect.String {
		return nil, fmt.Errorf(`%v has no unit; write one, for example "%v s"`, data, data)
	}
	return data, nil
}

// unknownVariables finds misspelt BENCHWARDEN_ variables, which viper would pass by in silence.
func unknownVariables() error {
	known := []string{variable("benches")}
	for key := range settingKeys {
		known = append(known, variable(key))
	}
	for _, entry := range os.Environ() {
		name, _, _ := strings.Cut(entry, "=")
		if strings.HasPrefix(name, variables) && !slices.Contains(known, name) {
			return fmt.Errorf("environment: %s: unknown variable%s", name, datafile.DidYouMean(name, known))
		}
	}
	return nil
}
