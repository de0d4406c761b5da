# Print an optspec for argparse to handle cmd's options that are independent of any subcommand.
function __fish_nightfix_global_optspecs
    string join \n V/version verbose ember h/help
end

function __fish_nightfix_needs_command
    # Figure out if the current invocation already has a command.
    set -l cmd (commandline -opc)
    set -e cmd[1]
    argparse -s (__fish_nightfix_global_optspecs) -- $cmd 2>/dev/null
    or return
    if set -q argv[1]
        # Also print the command, so this can be used to figure out what it is.
        echo $argv[1]
        return 1
    end
    return 0
end

function __fish_nightfix_using_subcommand
    set -l cmd (__fish_nightfix_needs_command)
    test -z "$cmd"
    and return 1
    contains -- $cmd[1] $argv
end

complete -c nightfix -n "__fish_nightfix_needs_command" -s V -l version -d 'Print the version'
complete -c nightfix -n "__fish_nightfix_needs_command" -l verbose -d 'With --version: the system, the star-indexes and the data folder too'
complete -c nightfix -n "__fish_nightfix_needs_command" -l ember -d 'Print in dim red, for eyes that are used to the dark (NIGHTFIX_EMBER=1 does so always)'
complete -c nightfix -n "__fish_nightfix_needs_command" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c nightfix -n "__fish_nightfix_needs_command" -f -a "solve" -d 'Say where frames point: centre, scale, rotation, and how sure that is'
complete -c nightfix -n "__fish_nightfix_needs_command" -f -a "night" -d 'Say where every frame of a folder points, and what the night was like'
complete -c nightfix -n "__fish_nightfix_needs_command" -f -a "watch" -d 'Solve the frames of a folder as they come, and sound an alarm where the mount goes astray'
complete -c nightfix -n "__fish_nightfix_needs_command" -f -a "polar" -d 'Say how far the polar axis of a mount is off, and which screw to turn'
complete -c nightfix -n "__fish_nightfix_needs_command" -f -a "serve" -d 'Answer requests of other programs, one JSON object per line, for as long as they like'
complete -c nightfix -n "__fish_nightfix_needs_command" -f -a "centre" -d 'Bring a target into the middle of the field, with a mount on an INDI server'
complete -c nightfix -n "__fish_nightfix_needs_command" -f -a "stand-by" -d 'Stop a mount where the process that moves it is killed'
complete -c nightfix -n "__fish_nightfix_needs_command" -f -a "sky" -d 'List the star-indexes: coverage, depth, size, and whether they are sound'
complete -c nightfix -n "__fish_nightfix_needs_command" -f -a "manual" -d 'Write man pages and shell completions into a folder'
complete -c nightfix -n "__fish_nightfix_needs_command" -f -a "bundle" -d 'Gather what a report about a frame needs, without pixels, names and places'
complete -c nightfix -n "__fish_nightfix_needs_command" -f -a "help" -d 'Print this message or the help of the given subcommand(s)'
complete -c nightfix -n "__fish_nightfix_using_subcommand solve" -l at -d 'Where the mount was told to point: the search begins there' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand solve" -l equinox -d 'What the commanded position counts from [default: j2000]' -r -f -a "j2000\t'ICRS, J2000: as in catalogues and atlases'
date\t'True equator and equinox of the frame\'s time: as many mounts count'"
complete -c nightfix -n "__fish_nightfix_using_subcommand solve" -l within -d 'Search no farther than this from the commanded position' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand solve" -l focal-length -d 'Focal length; with the pixel size it gives the scale' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand solve" -l pixel-size -d 'Size of a pixel of the file, binning included' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand solve" -l scale -d 'Pixel scale, if it is known directly' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand solve" -l index -d 'A star-index besides the one in the program; may be repeated' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand solve" -l time-limit -d 'Give up on a frame after this long' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand solve" -l threads -d 'Use this many threads [default: all cores]' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand solve" -l target -d 'Say where this place lies: in the frame or not, how far, which way, J2000' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand solve" -l focus-star -d 'Name the nearest star to focus on, of these magnitudes [default: 3..6]' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand solve" -l repeat -d 'Say how to move and turn the camera to repeat the framing of this earlier frame' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand solve" -l overlay -d 'Draw stars, grid and commanded position over the frame: .png or .jpg' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand solve" -l refusals -d 'Draw what was not taken for a star, and why, over the frame: .png or .jpg' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand solve" -l ignore-header -d 'Take nothing from the frame\'s metadata: no position, scale, date or site'
complete -c nightfix -n "__fish_nightfix_using_subcommand solve" -l json -d 'Print one JSON object per frame, one per line, instead of text'
complete -c nightfix -n "__fish_nightfix_using_subcommand solve" -l verbose -d 'Say on standard error which star-indexes are asked, and which one answers'
complete -c nightfix -n "__fish_nightfix_using_subcommand solve" -l write-wcs -d 'Write the position as WCS keywords into the FITS header'
complete -c nightfix -n "__fish_nightfix_using_subcommand solve" -l ember -d 'Print in dim red, for eyes that are used to the dark (NIGHTFIX_EMBER=1 does so always)'
complete -c nightfix -n "__fish_nightfix_using_subcommand solve" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c nightfix -n "__fish_nightfix_using_subcommand night" -l only -d 'Only frames whose name matches, whatever their ending; may be repeated' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand night" -l except -d 'No frames whose name, or whose sub-folder\'s name, matches; may be repeated' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand night" -l table -d 'Write one row per frame, with units: ECSV, which every reader of CSV takes' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand night" -l report -d 'Write the night report: one HTML file that needs no network' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand night" -l mount-axes -d 'Write what the night says of the mount as JSON: one object for each camera' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand night" -l journal -d 'Where results are kept, so that no frame is solved twice [default: FOLDER/nightfix.journal]' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand night" -l at -d 'Where the mount was told to point: the search begins there' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand night" -l equinox -d 'What the commanded position counts from [default: j2000]' -r -f -a "j2000\t'ICRS, J2000: as in catalogues and atlases'
date\t'True equator and equinox of the frame\'s time: as many mounts count'"
complete -c nightfix -n "__fish_nightfix_using_subcommand night" -l within -d 'Search no farther than this from the commanded position' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand night" -l focal-length -d 'Focal length; with the pixel size it gives the scale' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand night" -l pixel-size -d 'Size of a pixel of the file, binning included' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand night" -l scale -d 'Pixel scale, if it is known directly' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand night" -l index -d 'A star-index besides the one in the program; may be repeated' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand night" -l time-limit -d 'Give up on a frame after this long' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand night" -l threads -d 'Use this many threads [default: all cores]' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand night" -l no-subfolders -d 'Do not look into sub-folders'
complete -c nightfix -n "__fish_nightfix_using_subcommand night" -l write-wcs -d 'Write the position as WCS keywords into the FITS header of every solved frame'
complete -c nightfix -n "__fish_nightfix_using_subcommand night" -l lines -d 'Print one line per frame'
complete -c nightfix -n "__fish_nightfix_using_subcommand night" -l json -d 'Print one JSON object per frame, one per line; the summary goes to standard error'
complete -c nightfix -n "__fish_nightfix_using_subcommand night" -l ignore-header -d 'Take nothing from the frame\'s metadata: no position, scale, date or site'
complete -c nightfix -n "__fish_nightfix_using_subcommand night" -l ember -d 'Print in dim red, for eyes that are used to the dark (NIGHTFIX_EMBER=1 does so always)'
complete -c nightfix -n "__fish_nightfix_using_subcommand night" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l only -d 'Only frames whose name matches, whatever their ending; may be repeated' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l except -d 'No frames whose name, or whose sub-folder\'s name, matches; may be repeated' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l table -d 'Write one row per frame, with units: ECSV, which every reader of CSV takes' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l report -d 'Write the night report: one HTML file that needs no network' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l mount-axes -d 'Write what the night says of the mount as JSON: one object for each camera' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l journal -d 'Where results are kept, so that no frame is solved twice [default: FOLDER/nightfix.journal]' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l target -d 'Where the mount should point, J2000: each line names the move that brings it there' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l alarm -d 'Sound an alarm where a frame is farther off than this: from --target, or else from where its header says that the mount was told to point' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l site -d 'Latitude and longitude of the mount, degrees, north and east positive [default: the header\'s]' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l pressure -d 'Pressure of the air at the site, for refraction; 0 takes it out [default: 1013.25]' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l temperature -d 'Temperature of the air, for refraction [default: 10]' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l pole -d 'From which pole errors count' -r -f -a "true\t'The end of the Earth\'s axis'
refracted\t'Where the air shows it: up to an arcminute and more higher'"
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l mount -d 'Tell the mount on this INDI server how far each new solved frame shows it to be off' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l log -d 'With --mount: append every command that is sent to this file, with its time' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l every -d 'Look at the folder this often, at least' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l at -d 'Where the mount was told to point: the search begins there' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l equinox -d 'What the commanded position counts from [default: j2000]' -r -f -a "j2000\t'ICRS, J2000: as in catalogues and atlases'
date\t'True equator and equinox of the frame\'s time: as many mounts count'"
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l within -d 'Search no farther than this from the commanded position' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l focal-length -d 'Focal length; with the pixel size it gives the scale' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l pixel-size -d 'Size of a pixel of the file, binning included' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l scale -d 'Pixel scale, if it is known directly' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l index -d 'A star-index besides the one in the program; may be repeated' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l time-limit -d 'Give up on a frame after this long' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l threads -d 'Use this many threads [default: all cores]' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l no-subfolders -d 'Do not look into sub-folders'
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l write-wcs -d 'Write the position as WCS keywords into the FITS header of every solved frame'
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l polar -d 'Align the polar axis as frames come: turn the RA axis between frames, then the screws'
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l sync-only -d 'With --mount: sync it to each new solved frame; it is not slewed'
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l json -d 'Print one JSON object per frame, one per line; the summary goes to standard error'
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l ignore-header -d 'Take nothing from the frame\'s metadata: no position, scale, date or site'
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -l ember -d 'Print in dim red, for eyes that are used to the dark (NIGHTFIX_EMBER=1 does so always)'
complete -c nightfix -n "__fish_nightfix_using_subcommand watch" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c nightfix -n "__fish_nightfix_using_subcommand polar" -l adjusted -d 'A frame taken after the screws were turned: what is left is said' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand polar" -l site -d 'Latitude and longitude of the mount, degrees, north and east positive [default: the header\'s]' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand polar" -l pressure -d 'Pressure of the air at the site, for refraction; 0 takes it out [default: 1013.25]' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand polar" -l temperature -d 'Temperature of the air, for refraction [default: 10]' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand polar" -l pole -d 'From which pole errors count' -r -f -a "true\t'The end of the Earth\'s axis'
refracted\t'Where the air shows it: up to an arcminute and more higher'"
complete -c nightfix -n "__fish_nightfix_using_subcommand polar" -l picture -d 'Draw axis, pole, the turns of the screws and the fields of the frames: .png or .jpg' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand polar" -l at -d 'Where the mount was told to point: the search begins there' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand polar" -l equinox -d 'What the commanded position counts from [default: j2000]' -r -f -a "j2000\t'ICRS, J2000: as in catalogues and atlases'
date\t'True equator and equinox of the frame\'s time: as many mounts count'"
complete -c nightfix -n "__fish_nightfix_using_subcommand polar" -l within -d 'Search no farther than this from the commanded position' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand polar" -l focal-length -d 'Focal length; with the pixel size it gives the scale' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand polar" -l pixel-size -d 'Size of a pixel of the file, binning included' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand polar" -l scale -d 'Pixel scale, if it is known directly' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand polar" -l index -d 'A star-index besides the one in the program; may be repeated' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand polar" -l time-limit -d 'Give up on a frame after this long' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand polar" -l threads -d 'Use this many threads [default: all cores]' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand polar" -l json -d 'Print one JSON object instead of text'
complete -c nightfix -n "__fish_nightfix_using_subcommand polar" -l ignore-header -d 'Take nothing from the frame\'s metadata: no position, scale, date or site'
complete -c nightfix -n "__fish_nightfix_using_subcommand polar" -l ember -d 'Print in dim red, for eyes that are used to the dark (NIGHTFIX_EMBER=1 does so always)'
complete -c nightfix -n "__fish_nightfix_using_subcommand polar" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c nightfix -n "__fish_nightfix_using_subcommand serve" -l port -d 'Listen on this TCP port of the loopback interface (127.0.0.1); 0 takes any that is free' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand serve" -l socket -d 'Listen on a Unix socket at this path, for its owner alone' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand serve" -l token-file -d 'Take callers only whose first line is {"token": "..."} with the text of this file' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand serve" -l workers -d 'Work on this many requests at once [default: as many as threads]' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand serve" -l most-bytes -d 'The largest frame that is taken in a request itself, bytes' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand serve" -l at -d 'Where the mount was told to point: the search begins there' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand serve" -l equinox -d 'What the commanded position counts from [default: j2000]' -r -f -a "j2000\t'ICRS, J2000: as in catalogues and atlases'
date\t'True equator and equinox of the frame\'s time: as many mounts count'"
complete -c nightfix -n "__fish_nightfix_using_subcommand serve" -l within -d 'Search no farther than this from the commanded position' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand serve" -l focal-length -d 'Focal length; with the pixel size it gives the scale' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand serve" -l pixel-size -d 'Size of a pixel of the file, binning included' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand serve" -l scale -d 'Pixel scale, if it is known directly' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand serve" -l index -d 'A star-index besides the one in the program; may be repeated' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand serve" -l time-limit -d 'Give up on a frame after this long' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand serve" -l threads -d 'Use this many threads [default: all cores]' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand serve" -l ignore-header -d 'Take nothing from the frame\'s metadata: no position, scale, date or site'
complete -c nightfix -n "__fish_nightfix_using_subcommand serve" -l ember -d 'Print in dim red, for eyes that are used to the dark (NIGHTFIX_EMBER=1 does so always)'
complete -c nightfix -n "__fish_nightfix_using_subcommand serve" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c nightfix -n "__fish_nightfix_using_subcommand centre" -l equinox -d 'What the numbers of TARGET count from; names are J2000' -r -f -a "j2000\t'ICRS, J2000: as in catalogues and atlases'
date\t'True equator and equinox of the frame\'s time: as many mounts count'"
complete -c nightfix -n "__fish_nightfix_using_subcommand centre" -l mount -d 'The mount' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand centre" -l camera -d 'The camera' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand centre" -l frames -d 'Instead of a camera: the folder that another program writes the exposures to' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand centre" -l exposure -d 'Exposure' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand centre" -l patience -d 'Wait no longer than this for a frame in --frames' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand centre" -l within-arcmin -d 'Centred within this [default: 2 % of the field\'s narrower side]' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand centre" -l tries -d 'Slews at most' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand centre" -l min-altitude -d 'Never slew lower than this' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand centre" -l meridian-limit -d 'From one side of the meridian to the other no farther than this beyond it (hour angle)' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand centre" -l most-motion -d 'All slews of this run together' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand centre" -l site -d 'Latitude and longitude (to the east), degrees, where the mount has no site or a wrong one' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand centre" -l settle -d 'Wait after each slew for the mount to come to rest' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand centre" -l scale -d 'Pixel scale, if it is known' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand centre" -l index -d 'A star-index besides the one in the program; may be repeated' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand centre" -l time-limit -d 'Give up on a frame after this long' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand centre" -l log -d 'Append every command that is sent to this file, with its time' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand centre" -l move -d 'Move the mount'
complete -c nightfix -n "__fish_nightfix_using_subcommand centre" -l sync -d 'Sync the mount to what the frames show'
complete -c nightfix -n "__fish_nightfix_using_subcommand centre" -l slew-first -d 'Slew before the first frame, by what the mount believes'
complete -c nightfix -n "__fish_nightfix_using_subcommand centre" -l json -d 'Print what came of it as one line of JSON; the steps go to standard error'
complete -c nightfix -n "__fish_nightfix_using_subcommand centre" -l ember -d 'Print in dim red, for eyes that are used to the dark (NIGHTFIX_EMBER=1 does so always)'
complete -c nightfix -n "__fish_nightfix_using_subcommand centre" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c nightfix -n "__fish_nightfix_using_subcommand stand-by" -l log -d 'Append every command that is sent to this file' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand stand-by" -l ember -d 'Print in dim red, for eyes that are used to the dark (NIGHTFIX_EMBER=1 does so always)'
complete -c nightfix -n "__fish_nightfix_using_subcommand stand-by" -s h -l help -d 'Print help'
complete -c nightfix -n "__fish_nightfix_using_subcommand sky" -l index -d 'A star-index besides the one in the program; may be repeated' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand sky" -l check -d 'Verify every byte of every star-index'
complete -c nightfix -n "__fish_nightfix_using_subcommand sky" -l json -d 'Print one JSON object per star-index, one per line, instead of text'
complete -c nightfix -n "__fish_nightfix_using_subcommand sky" -l ember -d 'Print in dim red, for eyes that are used to the dark (NIGHTFIX_EMBER=1 does so always)'
complete -c nightfix -n "__fish_nightfix_using_subcommand sky" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c nightfix -n "__fish_nightfix_using_subcommand manual" -l ember -d 'Print in dim red, for eyes that are used to the dark (NIGHTFIX_EMBER=1 does so always)'
complete -c nightfix -n "__fish_nightfix_using_subcommand manual" -s h -l help -d 'Print help'
complete -c nightfix -n "__fish_nightfix_using_subcommand bundle" -l out -d 'Where to write it [default: the frame\'s name with .bundle.zip, in this folder]' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand bundle" -l at -d 'Where the mount was told to point: the search begins there' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand bundle" -l equinox -d 'What the commanded position counts from [default: j2000]' -r -f -a "j2000\t'ICRS, J2000: as in catalogues and atlases'
date\t'True equator and equinox of the frame\'s time: as many mounts count'"
complete -c nightfix -n "__fish_nightfix_using_subcommand bundle" -l within -d 'Search no farther than this from the commanded position' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand bundle" -l focal-length -d 'Focal length; with the pixel size it gives the scale' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand bundle" -l pixel-size -d 'Size of a pixel of the file, binning included' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand bundle" -l scale -d 'Pixel scale, if it is known directly' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand bundle" -l index -d 'A star-index besides the one in the program; may be repeated' -r -F
complete -c nightfix -n "__fish_nightfix_using_subcommand bundle" -l time-limit -d 'Give up on a frame after this long' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand bundle" -l threads -d 'Use this many threads [default: all cores]' -r
complete -c nightfix -n "__fish_nightfix_using_subcommand bundle" -l with-pixels -d 'Put the pixels in too, as FITS without a header'
complete -c nightfix -n "__fish_nightfix_using_subcommand bundle" -l ignore-header -d 'Take nothing from the frame\'s metadata: no position, scale, date or site'
complete -c nightfix -n "__fish_nightfix_using_subcommand bundle" -l ember -d 'Print in dim red, for eyes that are used to the dark (NIGHTFIX_EMBER=1 does so always)'
complete -c nightfix -n "__fish_nightfix_using_subcommand bundle" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c nightfix -n "__fish_nightfix_using_subcommand help; and not __fish_seen_subcommand_from solve night watch polar serve centre stand-by sky manual bundle help" -f -a "solve" -d 'Say where frames point: centre, scale, rotation, and how sure that is'
complete -c nightfix -n "__fish_nightfix_using_subcommand help; and not __fish_seen_subcommand_from solve night watch polar serve centre stand-by sky manual bundle help" -f -a "night" -d 'Say where every frame of a folder points, and what the night was like'
complete -c nightfix -n "__fish_nightfix_using_subcommand help; and not __fish_seen_subcommand_from solve night watch polar serve centre stand-by sky manual bundle help" -f -a "watch" -d 'Solve the frames of a folder as they come, and sound an alarm where the mount goes astray'
complete -c nightfix -n "__fish_nightfix_using_subcommand help; and not __fish_seen_subcommand_from solve night watch polar serve centre stand-by sky manual bundle help" -f -a "polar" -d 'Say how far the polar axis of a mount is off, and which screw to turn'
complete -c nightfix -n "__fish_nightfix_using_subcommand help; and not __fish_seen_subcommand_from solve night watch polar serve centre stand-by sky manual bundle help" -f -a "serve" -d 'Answer requests of other programs, one JSON object per line, for as long as they like'
complete -c nightfix -n "__fish_nightfix_using_subcommand help; and not __fish_seen_subcommand_from solve night watch polar serve centre stand-by sky manual bundle help" -f -a "centre" -d 'Bring a target into the middle of the field, with a mount on an INDI server'
complete -c nightfix -n "__fish_nightfix_using_subcommand help; and not __fish_seen_subcommand_from solve night watch polar serve centre stand-by sky manual bundle help" -f -a "stand-by" -d 'Stop a mount where the process that moves it is killed'
complete -c nightfix -n "__fish_nightfix_using_subcommand help; and not __fish_seen_subcommand_from solve night watch polar serve centre stand-by sky manual bundle help" -f -a "sky" -d 'List the star-indexes: coverage, depth, size, and whether they are sound'
complete -c nightfix -n "__fish_nightfix_using_subcommand help; and not __fish_seen_subcommand_from solve night watch polar serve centre stand-by sky manual bundle help" -f -a "manual" -d 'Write man pages and shell completions into a folder'
complete -c nightfix -n "__fish_nightfix_using_subcommand help; and not __fish_seen_subcommand_from solve night watch polar serve centre stand-by sky manual bundle help" -f -a "bundle" -d 'Gather what a report about a frame needs, without pixels, names and places'
complete -c nightfix -n "__fish_nightfix_using_subcommand help; and not __fish_seen_subcommand_from solve night watch polar serve centre stand-by sky manual bundle help" -f -a "help" -d 'Print this message or the help of the given subcommand(s)'
