# Where do these frames point? One line per frame: RA and Dec (J2000, degrees) and the file, or why
# not. Ends with the gravest exit status of all: 0 where every frame is solved.
#
#     $env:NIGHTFIX = "target\release\nightfix.exe"; pwsh tests/examples/where.ps1 FRAME...

$nightfix = if ($env:NIGHTFIX) { $env:NIGHTFIX } else { "nightfix" }
$status = 0
foreach ($frame in $args) {
    $answer = & $nightfix solve --json -- $frame 2>$null
    $code = $LASTEXITCODE
    if ($code -eq 0) {
        $centre = ($answer | ConvertFrom-Json).centre
        # With a point for the decimals, whatever the language of the system.
        [string]::Format([cultureinfo]::InvariantCulture, "{0} {1} {2}",
            $centre.ra_deg, $centre.dec_deg, $frame)
    } else {
        "unsolved ($code) $frame"
        $status = [Math]::Max($status, $code)
    }
}
exit $status
