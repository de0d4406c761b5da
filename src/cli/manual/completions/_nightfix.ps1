
using namespace System.Management.Automation
using namespace System.Management.Automation.Language

Register-ArgumentCompleter -Native -CommandName 'nightfix' -ScriptBlock {
    param($wordToComplete, $commandAst, $cursorPosition)

    $commandElements = $commandAst.CommandElements
    $command = @(
        'nightfix'
        for ($i = 1; $i -lt $commandElements.Count; $i++) {
            $element = $commandElements[$i]
            if ($element -isnot [StringConstantExpressionAst] -or
                $element.StringConstantType -ne [StringConstantType]::BareWord -or
                $element.Value.StartsWith('-') -or
                $element.Value -eq $wordToComplete) {
                break
        }
        $element.Value
    }) -join ';'

    $completions = @(switch ($command) {
        'nightfix' {
            [CompletionResult]::new('-V', '-V ', [CompletionResultType]::ParameterName, 'Print the version')
            [CompletionResult]::new('--version', '--version', [CompletionResultType]::ParameterName, 'Print the version')
            [CompletionResult]::new('--verbose', '--verbose', [CompletionResultType]::ParameterName, 'With --version: the system, the star-indexes and the data folder too')
            [CompletionResult]::new('--ember', '--ember', [CompletionResultType]::ParameterName, 'Print in dim red, for eyes that are used to the dark (NIGHTFIX_EMBER=1 does so always)')
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            [CompletionResult]::new('solve', 'solve', [CompletionResultType]::ParameterValue, 'Say where frames point: centre, scale, rotation, and how sure that is')
            [CompletionResult]::new('night', 'night', [CompletionResultType]::ParameterValue, 'Say where every frame of a folder points, and what the night was like')
            [CompletionResult]::new('watch', 'watch', [CompletionResultType]::ParameterValue, 'Solve the frames of a folder as they come, and sound an alarm where the mount goes astray')
            [CompletionResult]::new('polar', 'polar', [CompletionResultType]::ParameterValue, 'Say how far the polar axis of a mount is off, and which screw to turn')
            [CompletionResult]::new('serve', 'serve', [CompletionResultType]::ParameterValue, 'Answer requests of other programs, one JSON object per line, for as long as they like')
            [CompletionResult]::new('centre', 'centre', [CompletionResultType]::ParameterValue, 'Bring a target into the middle of the field, with a mount on an INDI server')
            [CompletionResult]::new('stand-by', 'stand-by', [CompletionResultType]::ParameterValue, 'Stop a mount where the process that moves it is killed')
            [CompletionResult]::new('sky', 'sky', [CompletionResultType]::ParameterValue, 'List the star-indexes: coverage, depth, size, and whether they are sound')
            [CompletionResult]::new('manual', 'manual', [CompletionResultType]::ParameterValue, 'Write man pages and shell completions into a folder')
            [CompletionResult]::new('bundle', 'bundle', [CompletionResultType]::ParameterValue, 'Gather what a report about a frame needs, without pixels, names and places')
            [CompletionResult]::new('help', 'help', [CompletionResultType]::ParameterValue, 'Print this message or the help of the given subcommand(s)')
            break
        }
        'nightfix;solve' {
            [CompletionResult]::new('--at', '--at', [CompletionResultType]::ParameterName, 'Where the mount was told to point: the search begins there')
            [CompletionResult]::new('--equinox', '--equinox', [CompletionResultType]::ParameterName, 'What the commanded position counts from [default: j2000]')
            [CompletionResult]::new('--within', '--within', [CompletionResultType]::ParameterName, 'Search no farther than this from the commanded position')
            [CompletionResult]::new('--focal-length', '--focal-length', [CompletionResultType]::ParameterName, 'Focal length; with the pixel size it gives the scale')
            [CompletionResult]::new('--pixel-size', '--pixel-size', [CompletionResultType]::ParameterName, 'Size of a pixel of the file, binning included')
            [CompletionResult]::new('--scale', '--scale', [CompletionResultType]::ParameterName, 'Pixel scale, if it is known directly')
            [CompletionResult]::new('--index', '--index', [CompletionResultType]::ParameterName, 'A star-index besides the one in the program; may be repeated')
            [CompletionResult]::new('--time-limit', '--time-limit', [CompletionResultType]::ParameterName, 'Give up on a frame after this long')
            [CompletionResult]::new('--threads', '--threads', [CompletionResultType]::ParameterName, 'Use this many threads [default: all cores]')
            [CompletionResult]::new('--target', '--target', [CompletionResultType]::ParameterName, 'Say where this place lies: in the frame or not, how far, which way, J2000')
            [CompletionResult]::new('--focus-star', '--focus-star', [CompletionResultType]::ParameterName, 'Name the nearest star to focus on, of these magnitudes [default: 3..6]')
            [CompletionResult]::new('--repeat', '--repeat', [CompletionResultType]::ParameterName, 'Say how to move and turn the camera to repeat the framing of this earlier frame')
            [CompletionResult]::new('--overlay', '--overlay', [CompletionResultType]::ParameterName, 'Draw stars, grid and commanded position over the frame: .png or .jpg')
            [CompletionResult]::new('--refusals', '--refusals', [CompletionResultType]::ParameterName, 'Draw what was not taken for a star, and why, over the frame: .png or .jpg')
            [CompletionResult]::new('--ignore-header', '--ignore-header', [CompletionResultType]::ParameterName, 'Take nothing from the frame''s metadata: no position, scale, date or site')
            [CompletionResult]::new('--json', '--json', [CompletionResultType]::ParameterName, 'Print one JSON object per frame, one per line, instead of text')
            [CompletionResult]::new('--verbose', '--verbose', [CompletionResultType]::ParameterName, 'Say on standard error which star-indexes are asked, and which one answers')
            [CompletionResult]::new('--write-wcs', '--write-wcs', [CompletionResultType]::ParameterName, 'Write the position as WCS keywords into the FITS header')
            [CompletionResult]::new('--ember', '--ember', [CompletionResultType]::ParameterName, 'Print in dim red, for eyes that are used to the dark (NIGHTFIX_EMBER=1 does so always)')
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            break
        }
        'nightfix;night' {
            [CompletionResult]::new('--only', '--only', [CompletionResultType]::ParameterName, 'Only frames whose name matches, whatever their ending; may be repeated')
            [CompletionResult]::new('--except', '--except', [CompletionResultType]::ParameterName, 'No frames whose name, or whose sub-folder''s name, matches; may be repeated')
            [CompletionResult]::new('--table', '--table', [CompletionResultType]::ParameterName, 'Write one row per frame, with units: ECSV, which every reader of CSV takes')
            [CompletionResult]::new('--report', '--report', [CompletionResultType]::ParameterName, 'Write the night report: one HTML file that needs no network')
            [CompletionResult]::new('--mount-axes', '--mount-axes', [CompletionResultType]::ParameterName, 'Write what the night says of the mount as JSON: one object for each camera')
            [CompletionResult]::new('--journal', '--journal', [CompletionResultType]::ParameterName, 'Where results are kept, so that no frame is solved twice [default: FOLDER/nightfix.journal]')
            [CompletionResult]::new('--at', '--at', [CompletionResultType]::ParameterName, 'Where the mount was told to point: the search begins there')
            [CompletionResult]::new('--equinox', '--equinox', [CompletionResultType]::ParameterName, 'What the commanded position counts from [default: j2000]')
            [CompletionResult]::new('--within', '--within', [CompletionResultType]::ParameterName, 'Search no farther than this from the commanded position')
            [CompletionResult]::new('--focal-length', '--focal-length', [CompletionResultType]::ParameterName, 'Focal length; with the pixel size it gives the scale')
            [CompletionResult]::new('--pixel-size', '--pixel-size', [CompletionResultType]::ParameterName, 'Size of a pixel of the file, binning included')
            [CompletionResult]::new('--scale', '--scale', [CompletionResultType]::ParameterName, 'Pixel scale, if it is known directly')
            [CompletionResult]::new('--index', '--index', [CompletionResultType]::ParameterName, 'A star-index besides the one in the program; may be repeated')
            [CompletionResult]::new('--time-limit', '--time-limit', [CompletionResultType]::ParameterName, 'Give up on a frame after this long')
            [CompletionResult]::new('--threads', '--threads', [CompletionResultType]::ParameterName, 'Use this many threads [default: all cores]')
            [CompletionResult]::new('--no-subfolders', '--no-subfolders', [CompletionResultType]::ParameterName, 'Do not look into sub-folders')
            [CompletionResult]::new('--write-wcs', '--write-wcs', [CompletionResultType]::ParameterName, 'Write the position as WCS keywords into the FITS header of every solved frame')
            [CompletionResult]::new('--lines', '--lines', [CompletionResultType]::ParameterName, 'Print one line per frame')
            [CompletionResult]::new('--json', '--json', [CompletionResultType]::ParameterName, 'Print one JSON object per frame, one per line; the summary goes to standard error')
            [CompletionResult]::new('--ignore-header', '--ignore-header', [CompletionResultType]::ParameterName, 'Take nothing from the frame''s metadata: no position, scale, date or site')
            [CompletionResult]::new('--ember', '--ember', [CompletionResultType]::ParameterName, 'Print in dim red, for eyes that are used to the dark (NIGHTFIX_EMBER=1 does so always)')
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            break
        }
        'nightfix;watch' {
            [CompletionResult]::new('--only', '--only', [CompletionResultType]::ParameterName, 'Only frames whose name matches, whatever their ending; may be repeated')
            [CompletionResult]::new('--except', '--except', [CompletionResultType]::ParameterName, 'No frames whose name, or whose sub-folder''s name, matches; may be repeated')
            [CompletionResult]::new('--table', '--table', [CompletionResultType]::ParameterName, 'Write one row per frame, with units: ECSV, which every reader of CSV takes')
            [CompletionResult]::new('--report', '--report', [CompletionResultType]::ParameterName, 'Write the night report: one HTML file that needs no network')
            [CompletionResult]::new('--mount-axes', '--mount-axes', [CompletionResultType]::ParameterName, 'Write what the night says of the mount as JSON: one object for each camera')
            [CompletionResult]::new('--journal', '--journal', [CompletionResultType]::ParameterName, 'Where results are kept, so that no frame is solved twice [default: FOLDER/nightfix.journal]')
            [CompletionResult]::new('--target', '--target', [CompletionResultType]::ParameterName, 'Where the mount should point, J2000: each line names the move that brings it there')
            [CompletionResult]::new('--alarm', '--alarm', [CompletionResultType]::ParameterName, 'Sound an alarm where a frame is farther off than this: from --target, or else from where its header says that the mount was told to point')
            [CompletionResult]::new('--site', '--site', [CompletionResultType]::ParameterName, 'Latitude and longitude of the mount, degrees, north and east positive [default: the header''s]')
            [CompletionResult]::new('--pressure', '--pressure', [CompletionResultType]::ParameterName, 'Pressure of the air at the site, for refraction; 0 takes it out [default: 1013.25]')
            [CompletionResult]::new('--temperature', '--temperature', [CompletionResultType]::ParameterName, 'Temperature of the air, for refraction [default: 10]')
            [CompletionResult]::new('--pole', '--pole', [CompletionResultType]::ParameterName, 'From which pole errors count')
            [CompletionResult]::new('--mount', '--mount', [CompletionResultType]::ParameterName, 'Tell the mount on this INDI server how far each new solved frame shows it to be off')
            [CompletionResult]::new('--log', '--log', [CompletionResultType]::ParameterName, 'With --mount: append every command that is sent to this file, with its time')
            [CompletionResult]::new('--every', '--every', [CompletionResultType]::ParameterName, 'Look at the folder this often, at least')
            [CompletionResult]::new('--at', '--at', [CompletionResultType]::ParameterName, 'Where the mount was told to point: the search begins there')
            [CompletionResult]::new('--equinox', '--equinox', [CompletionResultType]::ParameterName, 'What the commanded position counts from [default: j2000]')
            [CompletionResult]::new('--within', '--within', [CompletionResultType]::ParameterName, 'Search no farther than this from the commanded position')
            [CompletionResult]::new('--focal-length', '--focal-length', [CompletionResultType]::ParameterName, 'Focal length; with the pixel size it gives the scale')
            [CompletionResult]::new('--pixel-size', '--pixel-size', [CompletionResultType]::ParameterName, 'Size of a pixel of the file, binning included')
            [CompletionResult]::new('--scale', '--scale', [CompletionResultType]::ParameterName, 'Pixel scale, if it is known directly')
            [CompletionResult]::new('--index', '--index', [CompletionResultType]::ParameterName, 'A star-index besides the one in the program; may be repeated')
            [CompletionResult]::new('--time-limit', '--time-limit', [CompletionResultType]::ParameterName, 'Give up on a frame after this long')
            [CompletionResult]::new('--threads', '--threads', [CompletionResultType]::ParameterName, 'Use this many threads [default: all cores]')
            [CompletionResult]::new('--no-subfolders', '--no-subfolders', [CompletionResultType]::ParameterName, 'Do not look into sub-folders')
            [CompletionResult]::new('--write-wcs', '--write-wcs', [CompletionResultType]::ParameterName, 'Write the position as WCS keywords into the FITS header of every solved frame')
            [CompletionResult]::new('--polar', '--polar', [CompletionResultType]::ParameterName, 'Align the polar axis as frames come: turn the RA axis between frames, then the screws')
            [CompletionResult]::new('--sync-only', '--sync-only', [CompletionResultType]::ParameterName, 'With --mount: sync it to each new solved frame; it is not slewed')
            [CompletionResult]::new('--json', '--json', [CompletionResultType]::ParameterName, 'Print one JSON object per frame, one per line; the summary goes to standard error')
            [CompletionResult]::new('--ignore-header', '--ignore-header', [CompletionResultType]::ParameterName, 'Take nothing from the frame''s metadata: no position, scale, date or site')
            [CompletionResult]::new('--ember', '--ember', [CompletionResultType]::ParameterName, 'Print in dim red, for eyes that are used to the dark (NIGHTFIX_EMBER=1 does so always)')
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            break
        }
        'nightfix;polar' {
            [CompletionResult]::new('--adjusted', '--adjusted', [CompletionResultType]::ParameterName, 'A frame taken after the screws were turned: what is left is said')
            [CompletionResult]::new('--site', '--site', [CompletionResultType]::ParameterName, 'Latitude and longitude of the mount, degrees, north and east positive [default: the header''s]')
            [CompletionResult]::new('--pressure', '--pressure', [CompletionResultType]::ParameterName, 'Pressure of the air at the site, for refraction; 0 takes it out [default: 1013.25]')
            [CompletionResult]::new('--temperature', '--temperature', [CompletionResultType]::ParameterName, 'Temperature of the air, for refraction [default: 10]')
            [CompletionResult]::new('--pole', '--pole', [CompletionResultType]::ParameterName, 'From which pole errors count')
            [CompletionResult]::new('--picture', '--picture', [CompletionResultType]::ParameterName, 'Draw axis, pole, the turns of the screws and the fields of the frames: .png or .jpg')
            [CompletionResult]::new('--at', '--at', [CompletionResultType]::ParameterName, 'Where the mount was told to point: the search begins there')
            [CompletionResult]::new('--equinox', '--equinox', [CompletionResultType]::ParameterName, 'What the commanded position counts from [default: j2000]')
            [CompletionResult]::new('--within', '--within', [CompletionResultType]::ParameterName, 'Search no farther than this from the commanded position')
            [CompletionResult]::new('--focal-length', '--focal-length', [CompletionResultType]::ParameterName, 'Focal length; with the pixel size it gives the scale')
            [CompletionResult]::new('--pixel-size', '--pixel-size', [CompletionResultType]::ParameterName, 'Size of a pixel of the file, binning included')
            [CompletionResult]::new('--scale', '--scale', [CompletionResultType]::ParameterName, 'Pixel scale, if it is known directly')
            [CompletionResult]::new('--index', '--index', [CompletionResultType]::ParameterName, 'A star-index besides the one in the program; may be repeated')
            [CompletionResult]::new('--time-limit', '--time-limit', [CompletionResultType]::ParameterName, 'Give up on a frame after this long')
            [CompletionResult]::new('--threads', '--threads', [CompletionResultType]::ParameterName, 'Use this many threads [default: all cores]')
            [CompletionResult]::new('--json', '--json', [CompletionResultType]::ParameterName, 'Print one JSON object instead of text')
            [CompletionResult]::new('--ignore-header', '--ignore-header', [CompletionResultType]::ParameterName, 'Take nothing from the frame''s metadata: no position, scale, date or site')
            [CompletionResult]::new('--ember', '--ember', [CompletionResultType]::ParameterName, 'Print in dim red, for eyes that are used to the dark (NIGHTFIX_EMBER=1 does so always)')
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            break
        }
        'nightfix;serve' {
            [CompletionResult]::new('--port', '--port', [CompletionResultType]::ParameterName, 'Listen on this TCP port of the loopback interface (127.0.0.1); 0 takes any that is free')
            [CompletionResult]::new('--socket', '--socket', [CompletionResultType]::ParameterName, 'Listen on a Unix socket at this path, for its owner alone')
            [CompletionResult]::new('--token-file', '--token-file', [CompletionResultType]::ParameterName, 'Take callers only whose first line is {"token": "..."} with the text of this file')
            [CompletionResult]::new('--workers', '--workers', [CompletionResultType]::ParameterName, 'Work on this many requests at once [default: as many as threads]')
            [CompletionResult]::new('--most-bytes', '--most-bytes', [CompletionResultType]::ParameterName, 'The largest frame that is taken in a request itself, bytes')
            [CompletionResult]::new('--at', '--at', [CompletionResultType]::ParameterName, 'Where the mount was told to point: the search begins there')
            [CompletionResult]::new('--equinox', '--equinox', [CompletionResultType]::ParameterName, 'What the commanded position counts from [default: j2000]')
            [CompletionResult]::new('--within', '--within', [CompletionResultType]::ParameterName, 'Search no farther than this from the commanded position')
            [CompletionResult]::new('--focal-length', '--focal-length', [CompletionResultType]::ParameterName, 'Focal length; with the pixel size it gives the scale')
            [CompletionResult]::new('--pixel-size', '--pixel-size', [CompletionResultType]::ParameterName, 'Size of a pixel of the file, binning included')
            [CompletionResult]::new('--scale', '--scale', [CompletionResultType]::ParameterName, 'Pixel scale, if it is known directly')
            [CompletionResult]::new('--index', '--index', [CompletionResultType]::ParameterName, 'A star-index besides the one in the program; may be repeated')
            [CompletionResult]::new('--time-limit', '--time-limit', [CompletionResultType]::ParameterName, 'Give up on a frame after this long')
            [CompletionResult]::new('--threads', '--threads', [CompletionResultType]::ParameterName, 'Use this many threads [default: all cores]')
            [CompletionResult]::new('--ignore-header', '--ignore-header', [CompletionResultType]::ParameterName, 'Take nothing from the frame''s metadata: no position, scale, date or site')
            [CompletionResult]::new('--ember', '--ember', [CompletionResultType]::ParameterName, 'Print in dim red, for eyes that are used to the dark (NIGHTFIX_EMBER=1 does so always)')
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            break
        }
        'nightfix;centre' {
            [CompletionResult]::new('--equinox', '--equinox', [CompletionResultType]::ParameterName, 'What the numbers of TARGET count from; names are J2000')
            [CompletionResult]::new('--mount', '--mount', [CompletionResultType]::ParameterName, 'The mount')
            [CompletionResult]::new('--camera', '--camera', [CompletionResultType]::ParameterName, 'The camera')
            [CompletionResult]::new('--frames', '--frames', [CompletionResultType]::ParameterName, 'Instead of a camera: the folder that another program writes the exposures to')
            [CompletionResult]::new('--exposure', '--exposure', [CompletionResultType]::ParameterName, 'Exposure')
            [CompletionResult]::new('--patience', '--patience', [CompletionResultType]::ParameterName, 'Wait no longer than this for a frame in --frames')
            [CompletionResult]::new('--within-arcmin', '--within-arcmin', [CompletionResultType]::ParameterName, 'Centred within this [default: 2 % of the field''s narrower side]')
            [CompletionResult]::new('--tries', '--tries', [CompletionResultType]::ParameterName, 'Slews at most')
            [CompletionResult]::new('--min-altitude', '--min-altitude', [CompletionResultType]::ParameterName, 'Never slew lower than this')
            [CompletionResult]::new('--meridian-limit', '--meridian-limit', [CompletionResultType]::ParameterName, 'From one side of the meridian to the other no farther than this beyond it (hour angle)')
            [CompletionResult]::new('--most-motion', '--most-motion', [CompletionResultType]::ParameterName, 'All slews of this run together')
            [CompletionResult]::new('--site', '--site', [CompletionResultType]::ParameterName, 'Latitude and longitude (to the east), degrees, where the mount has no site or a wrong one')
            [CompletionResult]::new('--settle', '--settle', [CompletionResultType]::ParameterName, 'Wait after each slew for the mount to come to rest')
            [CompletionResult]::new('--scale', '--scale', [CompletionResultType]::ParameterName, 'Pixel scale, if it is known')
            [CompletionResult]::new('--index', '--index', [CompletionResultType]::ParameterName, 'A star-index besides the one in the program; may be repeated')
            [CompletionResult]::new('--time-limit', '--time-limit', [CompletionResultType]::ParameterName, 'Give up on a frame after this long')
            [CompletionResult]::new('--log', '--log', [CompletionResultType]::ParameterName, 'Append every command that is sent to this file, with its time')
            [CompletionResult]::new('--move', '--move', [CompletionResultType]::ParameterName, 'Move the mount')
            [CompletionResult]::new('--sync', '--sync', [CompletionResultType]::ParameterName, 'Sync the mount to what the frames show')
            [CompletionResult]::new('--slew-first', '--slew-first', [CompletionResultType]::ParameterName, 'Slew before the first frame, by what the mount believes')
            [CompletionResult]::new('--json', '--json', [CompletionResultType]::ParameterName, 'Print what came of it as one line of JSON; the steps go to standard error')
            [CompletionResult]::new('--ember', '--ember', [CompletionResultType]::ParameterName, 'Print in dim red, for eyes that are used to the dark (NIGHTFIX_EMBER=1 does so always)')
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            break
        }
        'nightfix;stand-by' {
            [CompletionResult]::new('--log', '--log', [CompletionResultType]::ParameterName, 'Append every command that is sent to this file')
            [CompletionResult]::new('--ember', '--ember', [CompletionResultType]::ParameterName, 'Print in dim red, for eyes that are used to the dark (NIGHTFIX_EMBER=1 does so always)')
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help')
            break
        }
        'nightfix;sky' {
            [CompletionResult]::new('--index', '--index', [CompletionResultType]::ParameterName, 'A star-index besides the one in the program; may be repeated')
            [CompletionResult]::new('--check', '--check', [CompletionResultType]::ParameterName, 'Verify every byte of every star-index')
            [CompletionResult]::new('--json', '--json', [CompletionResultType]::ParameterName, 'Print one JSON object per star-index, one per line, instead of text')
            [CompletionResult]::new('--ember', '--ember', [CompletionResultType]::ParameterName, 'Print in dim red, for eyes that are used to the dark (NIGHTFIX_EMBER=1 does so always)')
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            break
        }
        'nightfix;manual' {
            [CompletionResult]::new('--ember', '--ember', [CompletionResultType]::ParameterName, 'Print in dim red, for eyes that are used to the dark (NIGHTFIX_EMBER=1 does so always)')
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help')
            break
        }
        'nightfix;bundle' {
            [CompletionResult]::new('--out', '--out', [CompletionResultType]::ParameterName, 'Where to write it [default: the frame''s name with .bundle.zip, in this folder]')
            [CompletionResult]::new('--at', '--at', [CompletionResultType]::ParameterName, 'Where the mount was told to point: the search begins there')
            [CompletionResult]::new('--equinox', '--equinox', [CompletionResultType]::ParameterName, 'What the commanded position counts from [default: j2000]')
            [CompletionResult]::new('--within', '--within', [CompletionResultType]::ParameterName, 'Search no farther than this from the commanded position')
            [CompletionResult]::new('--focal-length', '--focal-length', [CompletionResultType]::ParameterName, 'Focal length; with the pixel size it gives the scale')
            [CompletionResult]::new('--pixel-size', '--pixel-size', [CompletionResultType]::ParameterName, 'Size of a pixel of the file, binning included')
            [CompletionResult]::new('--scale', '--scale', [CompletionResultType]::ParameterName, 'Pixel scale, if it is known directly')
            [CompletionResult]::new('--index', '--index', [CompletionResultType]::ParameterName, 'A star-index besides the one in the program; may be repeated')
            [CompletionResult]::new('--time-limit', '--time-limit', [CompletionResultType]::ParameterName, 'Give up on a frame after this long')
            [CompletionResult]::new('--threads', '--threads', [CompletionResultType]::ParameterName, 'Use this many threads [default: all cores]')
            [CompletionResult]::new('--with-pixels', '--with-pixels', [CompletionResultType]::ParameterName, 'Put the pixels in too, as FITS without a header')
            [CompletionResult]::new('--ignore-header', '--ignore-header', [CompletionResultType]::ParameterName, 'Take nothing from the frame''s metadata: no position, scale, date or site')
            [CompletionResult]::new('--ember', '--ember', [CompletionResultType]::ParameterName, 'Print in dim red, for eyes that are used to the dark (NIGHTFIX_EMBER=1 does so always)')
            [CompletionResult]::new('-h', '-h', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            [CompletionResult]::new('--help', '--help', [CompletionResultType]::ParameterName, 'Print help (see more with ''--help'')')
            break
        }
        'nightfix;help' {
            [CompletionResult]::new('solve', 'solve', [CompletionResultType]::ParameterValue, 'Say where frames point: centre, scale, rotation, and how sure that is')
            [CompletionResult]::new('night', 'night', [CompletionResultType]::ParameterValue, 'Say where every frame of a folder points, and what the night was like')
            [CompletionResult]::new('watch', 'watch', [CompletionResultType]::ParameterValue, 'Solve the frames of a folder as they come, and sound an alarm where the mount goes astray')
            [CompletionResult]::new('polar', 'polar', [CompletionResultType]::ParameterValue, 'Say how far the polar axis of a mount is off, and which screw to turn')
            [CompletionResult]::new('serve', 'serve', [CompletionResultType]::ParameterValue, 'Answer requests of other programs, one JSON object per line, for as long as they like')
            [CompletionResult]::new('centre', 'centre', [CompletionResultType]::ParameterValue, 'Bring a target into the middle of the field, with a mount on an INDI server')
            [CompletionResult]::new('stand-by', 'stand-by', [CompletionResultType]::ParameterValue, 'Stop a mount where the process that moves it is killed')
            [CompletionResult]::new('sky', 'sky', [CompletionResultType]::ParameterValue, 'List the star-indexes: coverage, depth, size, and whether they are sound')
            [CompletionResult]::new('manual', 'manual', [CompletionResultType]::ParameterValue, 'Write man pages and shell completions into a folder')
            [CompletionResult]::new('bundle', 'bundle', [CompletionResultType]::ParameterValue, 'Gather what a report about a frame needs, without pixels, names and places')
            [CompletionResult]::new('help', 'help', [CompletionResultType]::ParameterValue, 'Print this message or the help of the given subcommand(s)')
            break
        }
        'nightfix;help;solve' {
            break
        }
        'nightfix;help;night' {
            break
        }
        'nightfix;help;watch' {
            break
        }
        'nightfix;help;polar' {
            break
        }
        'nightfix;help;serve' {
            break
        }
        'nightfix;help;centre' {
            break
        }
        'nightfix;help;stand-by' {
            break
        }
        'nightfix;help;sky' {
            break
        }
        'nightfix;help;manual' {
            break
        }
        'nightfix;help;bundle' {
            break
        }
        'nightfix;help;help' {
            break
        }
    })

    $completions.Where{ $_.CompletionText -like "$wordToComplete*" } |
        Sort-Object -Property ListItemText
}
