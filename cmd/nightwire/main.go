// Command nightwire watches the voltage of a livestock electric fence and wakes the right person when it is down.
//
// It exits with 0 when all went well, 1 when something failed, and 2 when it was called wrongly or the farm file has
// mistakes.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"

	"github.com/spf13/cobra"

	"nightwire/cmd/nightwire/internal/config"
)

// The exit codes.
const (
	exitOK     = 0
	exitFailed = 1
	exitUsage  = 2
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGINT, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// run runs one command and returns its exit code.
func run(ctx context.Context, args []string, out, errs io.Writer) int {
	root := newRoot()
	root.SetArgs(args)
	root.SetOut(out)
	root.SetErr(errs)
	err := root.ExecuteContext(ctx)
	if err == nil || errors.Is(err, context.Canceled) && ctx.Err() != nil {
		return exitOK
	}
	fmt.Fprintln(errs, "nightwire:", err)
	var usage *usageError
	var mistakes config.Mistakes
	if errors.As(err, &usage) || errors.As(err, &mistakes) {
		return exitUsage
	}
	return exitFailed
}

// usageError says that the command line is wrong.
type usageError struct {
	err  error
	hint string
}

// Error returns what is wrong and what to do.
func (e *usageError) Error() string { return fmt.Sprintf("%v\nhint: %s", e.err, e.hint) }

// Unwrap returns what is wrong.
func (e *usageError) Unwrap() error { return e.err }

func newRoot() *cobra.Command {
	root := &cobra.Command{
		Use:   "nightwire",
		Short: "Watch the voltage of a livestock electric fence",
		Long: `Nightwire watches the voltage of a livestock electric fence. Sensors report over MQTT; it stores what they say,
works out what is wrong and where, and wakes the right person.

Exit codes: 0 all went well, 1 something failed, 2 wrong usage or a mistake in the farm file.

A reading is never proof that a wire is dead or safe to touch: switch off, then test.`,
		SilenceErrors: true, SilenceUsage: true,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) > 0 {
				return fmt.Errorf("%q is no command of nightwire", args[0])
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	root.AddCommand(newInit(), newRun(), newDemo(), newCheck(), newPlan(), newSim(), newReplay())
	root.AddCommand(newStatus(), newExport(), newImport(), newBackup(), newSupport(), newRestore())
	root.AddCommand(newTurnout(), newMove(), newDone(), newUpkeep(), newEarthTest())
	root.AddCommand(newSendTest(), newSensor(), newSensors(), newManual(), newVersion())
	strict(root)
	return root
}

// strict makes wrong flags and arguments of cmd, and of all commands below it, usage errors.
func strict(cmd *cobra.Command) {
	hint := "see " + cmd.CommandPath() + " --help"
	cmd.SetFlagErrorFunc(func(_ *cobra.Command, err error) error { return &usageError{err, hint} })
	check := cmd.Args
	if check == nil {
		check = cobra.NoArgs
	}
	cmd.Args = func(c *cobra.Command, args []string) error {
		if err := check(c, args); err != nil {
			return &usageError{err, hint}
		}
		if err := c.ValidateRequiredFlags(); err != nil {
			return &usageError{err, hint}
		}
		return nil
	}
	for _, sub := range cmd.Commands() {
		strict(sub)
	}
}

func newVersion() *cobra.Command {
	return &cobra.Command{
		Use:   "version",
		Short: "Print the version",
		RunE: func(cmd *cobra.Command, _ []string) error {
			_, err := fmt.Fprintln(cmd.OutOrStdout(), "nightwire", version())
			return err
		},
	}
}

// version returns what the build says of itself.
func version() string {
	if info, ok := debug.ReadBuildInfo(); ok && info.Main.Version != "" {
		return info.Main.Version
	}
	return "unknown"
}
